"""Whatever way granaryd ends, the battery is left following the house."""
import json
import signal
import time
import unittest

from harness import ROOT, SystemTest, needs_first_broker

LEFT = {"command/document", "command/band", "$state"}


class Death(SystemTest):
    def start(self, **groups):
        self.daemon = self.run_daemon(self.config(**groups))
        self.begin()
        self.assert_command("charge")

    def wait_for_follow(self, mark, state, deadline_s=60):
        """The messages that leave the house in order."""
        return [self.watcher.wait(f"{ROOT}/$state", lambda text: text == state, mark, deadline_s),
                self.watcher.wait(f"{ROOT}/command/band", lambda text: text == "follow", mark, deadline_s),
                self.watcher.wait(f"{ROOT}/command/document", lambda text: json.loads(text)["command"] == "follow", mark, deadline_s)]

    def assert_left_in_order(self, state):
        """As a hub sees it that only starts now."""
        late = self.watch()
        for name in LEFT:
            late.wait(f"{ROOT}/{name}")
        self.assertEqual((late.latest(f"{ROOT}/$state"), late.latest(f"{ROOT}/command/band")), (state, "follow"))
        document = json.loads(late.latest(f"{ROOT}/command/document"))
        self.assertEqual((document["command"], document["power_w"]), ("follow", 0))
        self.assertIsNone(document["valid_until"])
        self.assertTrue(document["reason"])

    @needs_first_broker("MQTT 5, to see the retain flag of what is published")
    def test_a_killed_daemon_leaves_follow_within_a_second(self):
        self.start()
        mark, killed = self.watcher.mark(), time.monotonic()
        self.daemon.signal(signal.SIGKILL)
        for message in self.wait_for_follow(mark, "lost"):
            self.assertLess(message.at - killed, 1.0, message)
            self.assertTrue(message.retained)
            self.assertIsNone(message.expiry_s)
        self.assert_left_in_order("lost")

    def test_a_stopped_daemon_says_follow_itself_and_ends_well(self):
        for number in (signal.SIGTERM, signal.SIGINT):
            with self.subTest(signal=number):
                self.start()
                mark = self.watcher.mark()
                self.daemon.signal(number)
                self.assertEqual(self.daemon.wait_exit(), 0)
                self.wait_for_follow(mark, "disconnected")
                self.assertEqual([m for m in self.watcher.since(mark, f"{ROOT}/.state") if m.payload == b"lost"], [])
                self.assert_left_in_order("disconnected")
                self.assertEqual(self.value("command/power"), "0")

    def test_a_stop_during_the_start_is_as_orderly(self):
        daemon = self.run_daemon(self.config())
        self.stop(daemon)
        self.watcher.wait(f"{ROOT}/$state", lambda text: text == "disconnected")
        self.assert_left_in_order("disconnected")

    def test_after_a_death_commands_wait_for_a_live_state_of_charge(self):
        self.start()
        self.daemon.kill()
        mark = self.watcher.mark()
        self.daemon = self.run_daemon(self.path("granary.conf"))
        self.step(readings=False)
        self.assert_command("follow", "starting")
        self.assertEqual({document["command"] for document in self.documents_since(mark)}, {"follow"})
        self.step()
        self.assert_command("charge")

    def test_the_days_budget_of_changes_outlives_the_process(self):
        """Each death costs two changes: to follow, and back."""
        self.start(safety="changes_per_day = 6;")
        for _ in range(2):
            self.daemon.kill()
            self.daemon = self.run_daemon(self.path("granary.conf"))
            self.live(120)
            self.assert_command("charge")
        self.daemon.kill()
        self.daemon = self.run_daemon(self.path("granary.conf"))
        self.live(120)
        self.assert_command("follow", "budget")
        self.step(at=self.now + 86400)
        self.live(900)
        self.assert_command("charge")

    def test_a_frozen_daemon_is_given_up_by_the_broker_and_takes_the_lead_again_when_it_wakes(self):
        self.start(mqtt="keep_alive_s = 5;")
        mark = self.watcher.mark()
        self.daemon.signal(signal.SIGSTOP)
        self.wait_for_follow(mark, "lost", deadline_s=25)
        self.assert_left_in_order("lost")
        mark = self.watcher.mark()
        self.daemon.signal(signal.SIGCONT)
        self.watcher.wait(f"{ROOT}/$state", lambda text: text == "ready", mark)
        self.step()
        self.assert_command("charge")


if __name__ == "__main__":
    unittest.main()
