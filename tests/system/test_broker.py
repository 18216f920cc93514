"""The broker goes away and comes back, with or without its memory, and other clients get in the way."""
import os
import signal
import threading
import time
import unittest

from harness import DAEMON, ROOT, Process, SystemTest, moment, needs_first_broker


class Restart(SystemTest):
    def start(self):
        self.daemon = self.run_daemon(self.config())
        self.begin()
        self.live(600)
        self.assert_command("charge")

    def restart_broker(self):
        """Kills the broker, starts it again, and looks on from before granaryd is back."""
        connected = len(self.daemon.matching("connected to the broker"))
        self.broker.kill()
        self.daemon.wait_line("no connection to the broker")
        self.broker.start()
        self.watcher = self.watch()
        self.daemon.wait_line("connected to the broker", connected + 1)

    def test_the_present_state_is_published_anew_and_nothing_from_before(self):
        self.start()
        before = self.document()
        self.restart_broker()
        self.step()
        documents = self.documents_since(0)
        self.assertTrue(documents)
        for document in documents:
            self.assertGreater(document["sequence"], before["sequence"])
        self.assert_command("charge")
        names = [m.topic[len(ROOT) + 1:] for m in self.watcher.since(0, r"homie/.*")]
        self.assertEqual(names[:2], ["$state", "$description"])
        self.assertEqual(self.value("$state"), "ready")
        self.assertLessEqual({"plan/slots", "plan/marginal-value", "health/mode", "health/rates-until"}, set(names))

    def test_granaryd_listens_again_after_each_of_several_restarts(self):
        self.start()
        for _ in range(3):
            self.restart_broker()
            self.live(300)
            self.assert_command("charge")

    def test_granaryd_waits_for_a_broker_that_is_not_there_yet(self):
        self.broker.kill()
        daemon = Process("granaryd", [DAEMON, "--clock-topic", "sim/clock", self.config()])
        self.processes.append(daemon)
        daemon.wait_line("no connection to the broker")
        self.broker.start()
        self.watcher = self.watch()
        daemon.wait_line("connected to the broker")
        self.begin()
        self.assert_command("charge")

    def test_granaryd_can_be_stopped_while_there_is_no_broker(self):
        self.start()
        self.broker.kill()
        self.daemon.wait_line("no connection to the broker")
        self.stop(self.daemon)


@needs_first_broker("its memory on disk")
class Memory(SystemTest):
    broker_extra = "allow_anonymous true\npersistence true\npersistence_location {folder}/\nautosave_interval 0\n"

    def save_broker(self):
        self.broker.process.signal(signal.SIGUSR1)
        pause, end = threading.Event(), time.monotonic() + 30
        while not os.path.exists(self.path("mosquitto.db")) and time.monotonic() < end:
            pause.wait(0.02)  # the broker does not say when it is done

    def test_an_old_command_that_the_broker_remembers_is_replaced_at_once(self):
        self.foreign = True
        daemon = self.run_daemon(self.config())
        self.begin()
        old = self.document()
        self.save_broker()
        self.live(1200)
        newest = self.document()
        self.assertGreater(newest["sequence"], old["sequence"])
        self.broker.kill()
        daemon.wait_line("no connection to the broker")
        self.broker.start()
        self.watcher = self.watch()
        daemon.wait_line("connected to the broker", 2)
        self.step()
        first, *rest = self.documents_since(0)
        self.assertEqual(first["sequence"], old["sequence"])
        self.assertTrue(rest)
        for document in rest:
            self.assertGreater(document["sequence"], newest["sequence"])
        self.assertEqual(moment(rest[-1]["valid_until"]), moment(rest[-1]["issued"]) + 300)

    def test_remembered_readings_are_no_live_ones(self):
        for topic, payload in self.house.items():
            self.watcher.publish(topic, payload, retained=True)
        self.run_daemon(self.config())
        for _ in range(4):
            self.step(readings=False)
        self.assert_command("follow", "starting")
        self.step()
        self.assert_command("charge")


class Neighbours(SystemTest):
    def test_of_two_with_one_client_id_one_stands_by_and_the_other_commands(self):
        daemons = []
        for name in ("first", "second"):
            state = self.path(f"state-{name}")
            os.mkdir(state)
            file = self.config(file=f"{name}.conf", state=state)
            daemons.append(self.run_daemon(file))
        stood_by = Process.changed.wait_until(lambda: [daemon for daemon in daemons if daemon.matching("standing by")], "one of them")
        leader = next(daemon for daemon in daemons if daemon not in stood_by)
        connected = len(leader.matching("no connection to the broker")) + 1
        leader.wait_line("connected to the broker at", connected)
        self.begin()
        self.assert_command("charge")
        self.live(600)
        self.assertEqual(self.value("$state"), "ready")
        self.assertEqual(leader.matching("standing by"), [])
        self.assertEqual(len(leader.matching("connected to the broker at")), connected)


if __name__ == "__main__":
    unittest.main()
