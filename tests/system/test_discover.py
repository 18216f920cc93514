"""granary discover finds a simulated house among decoys on a real broker, and writes a configuration that granary check accepts."""
import functools
import http.server
import os
import re
import threading
import unittest

from harness import DAEMON, SOURCE, TOOL, Process, SystemTest

DEMO = os.path.join(SOURCE, "conf", "demo")

# As the demonstration's configuration has them, and the other way round: inputs of two houses and what must be found.
DEMO_INPUTS = {"state_of_charge": ("house/battery", "/charge", "%", None),
               "battery_power": ("house/battery", "/power", "W", "discharge"),
               "grid_power": ("house/meter", "/power/now", "W", "import"),
               "solar_power": ("house/roof/kilowatts", None, "kW", "production"),
               "car_power": ("house/car", "/watts", "W", "consumption")}
OTHER_INPUTS = {"state_of_charge": ("cellar/storage/soc", None, "ratio", None),
                "battery_power": ("cellar/storage/power", None, "kW", "charge"),
                "grid_power": ("cellar/grid", "/w", "W", "export"),
                "solar_power": ("cellar/pv", "/w", "W", "production"),
                "house_power": ("cellar/load", "/kw", "kW", "consumption")}


class Silent(http.server.SimpleHTTPRequestHandler):
    def log_message(self, *_arguments):  # pylint: disable=arguments-differ
        pass


class Discover(SystemTest):
    def serve_folder(self, folder):
        server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(Silent, directory=folder))
        server.daemon_threads = True
        threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
        self.addCleanup(server.server_close)
        self.addCleanup(server.shutdown)
        return server.server_address[1]

    def start_house(self, inputs):
        """A simulated house that lives a day in some twenty seconds, with the daemon that runs it."""
        os.mkdir(self.path("rates"))
        with open(os.path.join(DEMO, "house.conf"), encoding="utf-8") as file:
            text = file.read()
        for name, value in (("MQTT_PORT", self.broker.port), ("HTTP_PORT", self.serve_folder(self.path("rates"))),
                            ("FOLDER", self.folder)):
            text = text.replace(f"@{name}@", str(value))
        groups = []
        for channel, (topic, pointer, unit, positive) in inputs.items():
            groups.append(f'{channel} = {{ topic = "{topic}"; unit = "{unit}"; '
                          + (f'pointer = "{pointer}"; ' if pointer else "")
                          + (f'positive = "{positive}"; ' if positive else "") + "};")
        text = re.sub(r"inputs = \{.*?\n\};", lambda _: "inputs = {\n" + "\n".join(groups) + "\n};", text, flags=re.DOTALL)
        with open(self.path("house.conf"), "w", encoding="utf-8") as file:
            file.write(text)
        daemon = Process("granaryd", [DAEMON, "--clock-topic", "sim/clock", self.path("house.conf")])
        self.processes.append(daemon)
        daemon.wait_line("connected to the broker")
        self.processes.append(Process("simulate", [
            TOOL, "simulate", self.path("house.conf"), "--scene", os.path.join(DEMO, "scene.conf"), "--start", "2026-03-10T04:00",
            "--days", "4", "--speed", "4000", "--rates-directory", self.path("rates"), "--json"]))
        self.watcher.wait(inputs["grid_power"][0])

    def publish_decoys(self):
        """Temperatures, voltages, registers and another battery, as long as the test lasts."""
        end = threading.Event()

        def publish():
            number = 0
            while not end.wait(0.1):
                number += 1
                self.watcher.send("cellar/boiler/temperature", str(48 + number % 3))
                self.watcher.send("cellar/meter2", {"voltage": 229 + number % 5, "frequency": 50.01, "energy_kwh": 15321 + number * 0.01})
                self.watcher.send("phone/battery", str(80 - number // 40))
                self.watcher.send("plug/tv", {"power": 80 if number % 50 < 20 else 0.5, "uptime": number})
                self.watcher.send("text", "hello")
        thread = threading.Thread(target=publish, daemon=True)
        thread.start()
        self.addCleanup(thread.join)
        self.addCleanup(end.set)

    def discover(self, *arguments, seconds=8):
        return self.run_tool("discover", "--broker", "127.0.0.1", "--port", str(self.broker.port), "--seconds", str(seconds), *arguments)

    def written_inputs(self):
        with open(self.path("new.conf"), encoding="utf-8") as file:
            body = re.search(r"^inputs = \{\n(.*?)^\};", file.read(), re.DOTALL | re.MULTILINE).group(1)
        found = {}
        for channel, group in re.findall(r"^    (\w+) = \{(.*?)\};", body, re.DOTALL | re.MULTILINE):
            keys = dict(re.findall(r'(\w+) = "(.*?)";', group))
            found[channel] = (keys["topic"], keys.get("pointer"), keys["unit"], keys.get("positive"))
        return found

    def assert_finds(self, inputs):
        self.start_house(inputs)
        self.publish_decoys()
        run = self.discover("--write", self.path("new.conf"))
        self.assertEqual(run.returncode, 0, run.stdout + run.stderr)
        self.assertEqual(self.written_inputs(), inputs, run.stdout)
        check = self.run_tool("check", self.path("new.conf"))
        self.assertEqual((check.returncode, check.stderr), (0, ""))
        return run

    def test_the_demonstrations_house_is_found_and_its_configuration_accepted(self):
        run = self.assert_finds(DEMO_INPUTS)
        for words in ("house/battery", "/power/now", "+ discharges", "phone/battery", "energy_kwh"):
            self.assertIn(words, run.stdout)

    def test_a_house_with_other_names_units_and_signs_is_found(self):
        run = self.assert_finds(OTHER_INPUTS)
        self.assertIn("add up within", run.stdout)

    def test_a_file_that_is_there_is_not_overwritten(self):
        with open(self.path("new.conf"), "w", encoding="utf-8") as file:
            file.write("mine")
        run = self.discover("--write", self.path("new.conf"), seconds=2)
        self.assertEqual(run.returncode, 2)
        self.assertIn("stays as it is", run.stderr)
        with open(self.path("new.conf"), encoding="utf-8") as file:
            self.assertEqual(file.read(), "mine")

    def test_a_silent_broker_still_gives_a_file_that_says_what_is_missing(self):
        run = self.discover("--write", self.path("new.conf"), seconds=2)
        self.assertEqual(run.returncode, 1, run.stderr)
        with open(self.path("new.conf"), encoding="utf-8") as file:
            self.assertEqual(file.read().count("NOT FOUND"), 3)
        self.assertEqual(self.run_tool("check", self.path("new.conf")).returncode, 0)

    def test_wrong_calls_are_refused_with_the_reason(self):
        for arguments, words in (([], "--broker"), (["--broker", "mqtt://x"], "scheme"), (["--broker", "x", "--port", "x"], "--port"),
                                 (["--broker", "x", "--seconds", "1"], "--seconds"), (["--broker", "x", "y"], '"y"'),
                                 (["--broker", "192.0.2.1", "--user", "u"], "without encryption"),
                                 (["--broker", "127.0.0.1", "--topics", "a/#/b"], "last level"),
                                 (["--broker", "127.0.0.1", "--user", "u", "--password-file", "/none"], "/none")):
            with self.subTest(arguments=arguments):
                run = self.run_tool("discover", *arguments)
                self.assertEqual((run.returncode, run.stdout), (2, ""), run.stderr)
                self.assertIn(words, run.stderr)

    def test_a_broker_that_is_not_there_is_said_to_be_so(self):
        self.broker.kill()
        run = self.discover(seconds=2)
        self.assertEqual(run.returncode, 1)
        self.assertIn("not reached", run.stderr)


if __name__ == "__main__":
    unittest.main()
