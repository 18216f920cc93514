"""The cable between granaryd and the broker: frozen, slow, cut."""
import json
import os
import signal
import socket
import time
import unittest

from harness import DAEMON, ROOT, Process, SystemTest, moment


class Cable(SystemTest):
    def start(self):
        self.cable = self.wire()
        self.daemon = self.run_daemon(self.config(port=self.cable.port, mqtt="keep_alive_s = 5;"))
        self.begin()
        self.assert_command("charge")

    def test_a_cut_cable_ends_in_follow_at_once_and_the_present_decision_comes_after_it(self):
        self.start()
        sequence = self.document()["sequence"]
        mark, cut = self.watcher.mark(), time.monotonic()
        self.cable.cut()
        followed = self.watcher.wait(f"{ROOT}/command/band", lambda text: text == "follow", mark)
        self.assertLess(followed.at - cut, 2.0)
        self.daemon.wait_line("connected to the broker", 2)
        self.live(200)
        self.assert_command("charge")
        for document in self.documents_since(mark):
            if document["sequence"] is not None:
                self.assertGreater(document["sequence"], sequence)

    def test_a_half_open_connection_ends_in_follow_by_the_broker_and_nothing_late_comes_out_of_it(self):
        self.start()
        mark = self.watcher.mark()
        self.cable.freeze()
        self.watcher.wait(f"{ROOT}/command/band", lambda text: text == "follow", mark)  # 1.5 keep-alives and 7 s
        self.watcher.wait(f"{ROOT}/$state", lambda text: text == "lost", mark)
        self.daemon.wait_line("no connection to the broker")
        mark = self.watcher.mark()
        self.cable.thaw()
        self.daemon.wait_line("connected to the broker", 2)
        self.step()
        for document in self.documents_since(mark):
            if document["sequence"] is not None:
                self.assertGreaterEqual(moment(document["valid_until"]), self.now)
        self.live(200)
        self.assert_command("charge")

    def test_a_slow_cable_brings_no_command_after_its_end(self):
        self.start()
        self.cable.bytes_per_s = 20000
        mark = self.live(600)
        for document in self.documents_since(mark):
            self.assertGreater(moment(document["valid_until"]), self.now - 600)
        self.assert_command("charge")


class Watchdog(SystemTest):
    def test_a_daemon_that_hangs_feeds_no_watchdog_and_its_end_leaves_follow_at_once(self):
        """As systemd does it: it listens, misses the word, and ends the process."""
        manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.addCleanup(manager.close)
        manager.bind(self.path("notify"))
        manager.settimeout(60)
        daemon = Process("granaryd", [DAEMON, self.config(safety="trust_clock = true;")],
                         env={**os.environ, "NOTIFY_SOCKET": self.path("notify"), "WATCHDOG_USEC": "20000000"})
        self.processes.append(daemon)
        daemon.wait_line("connected to the broker")
        self.watcher.wait(f"{ROOT}/command/document")
        words = b""
        while b"WATCHDOG=1" not in words:
            words = manager.recv(4096)
        daemon.signal(signal.SIGSTOP)
        manager.settimeout(0)
        try:
            while True:
                manager.recv(4096)
        except BlockingIOError:
            pass
        manager.settimeout(13)  # a healthy loop speaks every 10 s at the latest
        self.assertRaises(socket.timeout, manager.recv, 4096)
        mark, ended = self.watcher.mark(), time.monotonic()
        daemon.signal(signal.SIGKILL)  # SIGABRT, as systemd's first try, waits in a process that is stopped
        document = self.watcher.wait(f"{ROOT}/command/document", lambda text: json.loads(text)["command"] == "follow", mark)
        self.assertLess(document.at - ended, 2.0)


if __name__ == "__main__":
    unittest.main()
