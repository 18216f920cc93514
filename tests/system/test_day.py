"""A whole simulated day of the demonstration's house, with granaryd, a broker and published prices."""
import functools
import http.server
import json
import os
import threading
import unittest

from harness import DAEMON, ROOT, SOURCE, Process, SystemTest


class Silent(http.server.SimpleHTTPRequestHandler):
    def log_message(self, *_arguments):  # pylint: disable=arguments-differ
        pass


class Day(SystemTest):
    def serve_folder(self, folder):
        server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(Silent, directory=folder))
        server.daemon_threads = True
        threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
        self.addCleanup(server.server_close)
        self.addCleanup(server.shutdown)
        return server.server_address[1]

    def demo_config(self):
        os.mkdir(self.path("rates"))
        with open(os.path.join(SOURCE, "conf", "demo", "house.conf"), encoding="utf-8") as file:
            text = file.read()
        for name, value in (("MQTT_PORT", self.broker.port), ("HTTP_PORT", self.serve_folder(self.path("rates"))),
                            ("FOLDER", self.folder)):
            text = text.replace(f"@{name}@", str(value))
        with open(self.path("house.conf"), "w", encoding="utf-8") as file:
            file.write(text)
        return self.path("house.conf")

    def test_a_day_costs_no_more_than_with_a_battery_that_only_follows(self):
        config = self.demo_config()
        daemon = Process("granaryd", [DAEMON, "--clock-topic", "sim/clock", config])
        self.processes.append(daemon)
        daemon.wait_line("connected to the broker")
        run = self.run_tool("simulate", config, "--scene", os.path.join(SOURCE, "conf", "demo", "scene.conf"), "--days", "1",
                            "--step-seconds", "120", "--rates-directory", self.path("rates"), "--json", deadline_s=200)
        self.assertEqual(run.returncode, 0, run.stderr)
        bills = json.loads(run.stdout)
        self.assertLessEqual(bills["granary"]["total"], bills["following"]["total"])
        self.assertLess(bills["granary"]["total"], bills["no_battery"]["total"])
        self.assertEqual(bills["steps"], 720)
        self.assertGreater(bills["answered"], 700)  # on a busy machine a plan may take longer than the simulation waits
        self.assertTrue(1 <= bills["changes"] <= 48, bills)
        self.stop(daemon)
        self.assertEqual(daemon.matching("^error: "), [])
        late = self.watch()
        late.wait(f"{ROOT}/$state", lambda text: text == "disconnected")
        self.assertEqual(late.wait(f"{ROOT}/command/band").payload, b"follow")
        self.assertIsNone(json.loads(late.wait(f"{ROOT}/command/document").payload)["valid_until"])
        left = {m.topic.rsplit("/", 1)[1]: m.payload for m in late.since(0, f"{ROOT}/command/.*")}
        self.assertEqual(left.get("power", b"0"), b"0")
        seen = {json.loads(m.payload)["command"] for m in self.watcher.since(0, f"{ROOT}/command/document")}
        self.assertGreater(len(seen), 1)


if __name__ == "__main__":
    unittest.main()
