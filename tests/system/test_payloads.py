"""What comes in on the readings' topics and is not a reading changes nothing but a counter."""
import unittest

from harness import ROOT, SystemTest

WRONG_NUMBERS = [b"", b" ", b"unavailable", b"unknown", b"NaN", b"nan", b"inf", b"-Infinity", b"null", b"\xff\xfe\x31", b"3\x001",
                 b"1e400", b"[1]", b'{"value": 31}', b"-5", b"250", b"31 %", b"12,5", b"0x1f", b"--3", b"9" * 5000]
WRONG_DOCUMENTS = [b"", b"400", b"null", b"{}", b'{"power": null}', b'{"power": "a lot"}', b'{"power": [1]}', b'{"power": 1e400}',
                   b'{"power": NaN}', b'{"power": 400', b'{"power": 1e9}', b'{"power": {"power": 1}}', b"\xc3\x28",
                   b'{"power":' * 4000, b"[" * 60000, b'{"power": 400} {"power": 400}']
MB = 1024 * 1024


class WrongPayloads(SystemTest):
    def start(self, **groups):
        self.daemon = self.run_daemon(self.config(**groups))
        self.begin()
        self.assert_command("charge")

    def refused(self):
        return int(self.value("health/refused"))

    def feed(self, topic, payloads):
        """Each wrong payload between good readings: it is counted, and nothing else happens."""
        for payload in payloads:
            with self.subTest(topic=topic, payload=payload[:60]):
                count = self.refused()
                good, self.house[topic] = self.house[topic], None  # which would take the wrong one's place in the queue
                self.watcher.publish(topic, payload)
                self.step()
                self.house[topic] = good
                self.step()
                self.assertEqual(self.refused(), count + 1)
                self.assert_command("charge")

    def test_no_wrong_number_is_taken_for_a_state_of_charge(self):
        self.start()
        self.feed("house/soc", WRONG_NUMBERS)

    def test_no_wrong_document_is_taken_for_a_power(self):
        self.start()
        self.feed("house/meter", WRONG_DOCUMENTS)

    def test_hundreds_of_wrong_payloads_make_few_lines_in_the_log(self):
        self.start()
        for i in range(400):
            self.watcher.send("house/soc", f"banana {i}")
            if i % 50 == 49:
                self.step(readings=False)  # a good reading would take a wrong one's place in the queue
                self.step()
        lines = self.daemon.matching("refused a message on house/soc")
        self.assertTrue(1 <= len(lines) <= 3, lines)
        self.assertIn("banana", lines[0])
        self.assertGreaterEqual(self.refused(), 8)
        self.assert_command("charge")

    def test_ten_megabytes_do_no_harm(self):
        for protocol in (5, 4):
            with self.subTest(protocol=protocol):
                self.start(mqtt=f"protocol = {protocol};")
                self.watcher.publish("house/soc", b"3" * (10 * MB))
                self.watcher.publish("house/meter", b'{"power":' + b" " * (10 * MB) + b"1}")
                self.step(readings=False)  # a good reading would take a wrong one's place in the queue
                self.live(300)
                self.assert_command("charge")
                if protocol == 4:
                    self.assertEqual(self.refused(), 2)
                self.assertEqual(len(self.daemon.matching("connected to the broker")), 1)
                with open(f"/proc/{self.daemon.pid}/status", encoding="ascii") as file:
                    peak = next(line for line in file if line.startswith("VmHWM"))
                print(f"\nprotocol {protocol}: {' '.join(peak.split())}")
                self.stop(self.daemon)

    def test_only_wrong_payloads_end_in_follow_when_the_last_good_one_is_too_old_and_recovery_takes_its_time(self):
        self.start(safety="recovery_s = 120; dwell_s = 0;")
        self.house["house/soc"] = "unavailable"
        self.live(280, by=20)
        self.assert_command("charge")
        self.live(40, by=20)
        self.assert_command("follow", "state-of-charge")
        self.assertIn("state of charge", self.value("health/reason"))
        self.assertIn("state of charge", self.document()["reason"])
        self.assertEqual(self.value("health/mode"), "fallback")
        self.house["house/soc"] = "30"
        self.live(100, by=20)
        self.assert_command("follow", "recovering")
        self.live(60, by=20)
        self.assert_command("charge")

    def test_a_fault_that_returns_while_recovering_starts_the_waiting_anew(self):
        self.start(safety="recovery_s = 120;", inputs='grid_present = { topic = "house/mains"; unit = "boolean"; };')
        for mains in ("false", "true"):
            self.house["house/mains"] = mains
            self.live(100, by=20)
        self.assert_command("follow", "recovering")
        self.house["house/mains"] = "false"
        self.step()
        self.assert_command("follow", "grid-absent")
        self.house["house/mains"] = "true"
        self.live(100, by=20)
        self.assert_command("follow", "recovering")

    def test_a_clock_message_that_is_none_is_not_taken(self):
        self.start()
        for payload in (b"", b"{}", b"now", b'{"utc_s": "1", "step": 2}', b'{"utc_s": 1.5, "step": 2}', b"[]", b"\xff"):
            self.watcher.publish("sim/clock", payload)
        mark = self.step()
        beats = self.watcher.since(mark, f"{ROOT}/health/heartbeat")
        self.assertEqual(len(beats), 1)
        self.assert_command("charge")


if __name__ == "__main__":
    unittest.main()
