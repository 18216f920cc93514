"""What granaryd writes down replays to the same decisions."""
import glob
import os
import signal
import unittest

from harness import SystemTest


class Replay(SystemTest):
    def start(self, **groups):
        self.daemon = self.run_daemon(self.config(**groups) if groups else self.config())
        self.begin()

    def config(self, *arguments, **groups):
        path = super().config(*arguments, **groups)
        with open(path, "a", encoding="utf-8") as stream:
            stream.write("events = { record = true; files = 3; file_megabytes = 1; };\n")
        return path

    def replay(self, name="events.log"):
        return self.run_tool("replay", os.path.join(self.path("state"), name))

    def test_a_night_with_faults_and_a_reload_replays_to_the_byte(self):
        self.start(answer_s=60)
        self.live(600)
        self.house["house/soc"] = None
        self.live(420)
        self.house["house/soc"] = "41"
        self.live(300)
        self.clock_error += 3600
        self.live(300)
        self.config(safety="recovery_s = 30;")
        self.daemon.signal(signal.SIGHUP)
        self.daemon.wait_line("was read again")
        self.live(600)
        self.stop(self.daemon)
        run = self.replay()
        self.assertEqual(run.returncode, 0, run.stdout + run.stderr)
        self.assertIn("every decision is the same", run.stdout)
        with open(os.path.join(self.path("state"), "events.log"), encoding="utf-8") as stream:
            text = stream.read()
        for secret in ("house/soc", "127.0.0.1", str(self.broker.port), "granary-"):
            self.assertNotIn(secret, text.replace("granary-events", ""))

    def test_a_changed_decision_is_found_and_shown(self):
        self.start()
        self.live(300)
        self.stop(self.daemon)
        path = os.path.join(self.path("state"), "events.log")
        with open(path, encoding="utf-8") as stream:
            text = stream.read()
        with open(path, "w", encoding="utf-8") as stream:
            stream.write(text.replace("decision charge", "decision export", 1))
        run = self.replay()
        self.assertEqual(run.returncode, 1)
        self.assertIn("1 decisions differ", run.stdout)

    def test_a_killed_daemon_leaves_a_log_that_replays_and_the_next_one_begins_another(self):
        self.start()
        self.live(600)
        self.daemon.kill()
        self.daemon = self.run_daemon(self.path("granary.conf"))
        self.live(120)
        self.stop(self.daemon)
        for name in ("events.log", "events.1.log"):
            self.assertEqual(self.replay(name).returncode, 0, name)

    def test_the_ring_is_bounded_and_each_file_replays_by_itself(self):
        self.start()
        for _ in range(4):  # starts are as good as days for filling files
            self.daemon.signal(signal.SIGTERM)
            self.daemon.wait_exit()
            self.daemon = self.run_daemon(self.path("granary.conf"))
            self.live(120)
        self.stop(self.daemon)
        files = sorted(os.path.basename(name) for name in glob.glob(os.path.join(self.path("state"), "events*")))
        self.assertEqual(files, ["events.1.log", "events.2.log", "events.log"])
        for name in files:
            self.assertEqual(self.replay(name).returncode, 0, name)

    def test_what_is_no_log_is_refused(self):
        self.config()
        run = self.run_tool("replay", self.path("granary.conf"))
        self.assertEqual(run.returncode, 2)
        self.assertIn("this is no event log", run.stderr)


if __name__ == "__main__":
    unittest.main()
