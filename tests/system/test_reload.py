"""SIGHUP: a good new file is in force, a bad one changes nothing."""
import json
import os
import signal
import unittest

from harness import BANDS, ROOT, SystemTest


class Reload(SystemTest):
    def hang_up(self, connects):
        """Has the file read again; where the connection is made anew, waits for that too."""
        count = len(self.daemon.matching("was read again|has mistakes"))
        connected = len(self.daemon.matching("connected to the broker"))
        self.daemon.signal(signal.SIGHUP)
        self.daemon.wait_line("was read again|has mistakes", count + 1)
        if connects:
            self.daemon.wait_line("connected to the broker", connected + 1)

    def start(self, **options):
        self.daemon = self.run_daemon(self.config(**options))
        self.begin()

    def test_commanding_can_be_switched_on_and_off(self):
        self.start(commanding=False)
        self.assertEqual(self.value("health/mode"), "observing")
        self.config(commanding=True)
        self.hang_up(connects=True)
        self.step()
        self.assertEqual(self.value("health/mode"), "commanding")
        self.assert_command("charge")
        self.config(commanding=False)
        mark = self.watcher.mark()
        self.hang_up(connects=True)
        self.live(600)
        commands = self.watcher.since(mark, f"{ROOT}/command/document")
        self.assertEqual([json.loads(m.payload)["command"] for m in commands], ["follow"])
        self.assertEqual((self.value("command/band"), self.value("health/mode")), ("follow", "observing"))

    def test_another_device_id_leaves_follow_under_the_old_one(self):
        self.start()
        self.assert_command("charge")
        self.config(outputs='device = "cellar";')
        self.hang_up(connects=True)
        self.step()
        self.assertEqual(self.value("command/band"), "follow")
        self.assertIsNone(self.document()["valid_until"])
        self.assertEqual(self.value("$state"), "disconnected")
        self.assertEqual(self.watcher.latest("homie/5/cellar/$state"), "ready")
        self.assertEqual(self.watcher.latest("homie/5/cellar/command/band"), "charge")

    def test_another_topic_of_a_reading_is_listened_to_from_then_on(self):
        self.start()
        with open(self.config(), encoding="utf-8") as file:
            text = file.read()
        with open(self.path("granary.conf"), "w", encoding="utf-8") as file:
            file.write(text.replace("house/soc", "cellar/soc"))
        self.hang_up(connects=True)
        self.house["cellar/soc"], self.house["house/soc"] = "31", "banana"
        self.live(900)
        self.assertEqual((self.value("health/fault"), self.value("health/refused")), ("none", "0"))

    def test_other_prices_change_the_plan_without_a_new_connection(self):
        self.start()
        self.assertEqual(self.plan()[0]["import_price"], 0.10)
        self.config(BANDS.replace("0.10", "0.39"))
        mark = self.watcher.mark()
        self.hang_up(connects=False)
        self.live(900)
        self.assertEqual(self.plan()[0]["import_price"], 0.39)
        self.assertNotEqual(self.document()["command"], "charge")
        self.assertEqual(self.watcher.since(mark, f"{ROOT}/.state"), [])

    def test_a_bad_file_changes_nothing_and_the_log_names_its_line_and_key(self):
        self.start()
        file = self.config()
        with open(file, encoding="utf-8") as stream:
            good = stream.read()
        for wrong, right, key in (("capacity_kwh = 13500.0", "capacity_kwh = 10.0", "battery.capacity_kwh"),
                                  ("chargekw = 3.0", "charge_kw = 3.0", "battery.chargekw"),
                                  ('unit = "percents"', 'unit = "%"', "inputs.state_of_charge.unit")):
            with self.subTest(wrong=wrong):
                with open(file, "w", encoding="utf-8") as stream:
                    stream.write(good.replace(right, wrong))
                line = good[:good.index(right)].count("\n") + 1
                self.hang_up(connects=False)
                self.daemon.wait_line(rf"error: .*granary\.conf:{line}: {key}")
                self.daemon.wait_line("the old configuration stays in force")
                mark = self.live(900)
                self.assertGreaterEqual(len(self.documents_since(mark)), 3)
                self.assert_command("charge")
        self.assertEqual(self.watcher.latest(f"{ROOT}/$state"), "ready")

    def test_a_file_that_is_gone_or_is_no_configuration_changes_nothing(self):
        self.start()
        for content in (None, b"", b"\x00\x01\x02", b"site = { name = \"cut"):
            with self.subTest(content=content):
                if content is None:
                    with open(self.path("empty"), "wb"):
                        pass
                    os.rename(self.path("granary.conf"), self.path("away.conf"))
                else:
                    with open(self.path("granary.conf"), "wb") as stream:
                        stream.write(content)
                self.hang_up(connects=False)
                self.live(300)
                self.assert_command("charge")

    def test_a_storm_of_signals_does_no_harm(self):
        self.start()
        for _ in range(30):
            self.daemon.signal(signal.SIGHUP)
        self.live(600)
        self.assert_command("charge")
        self.stop(self.daemon)


if __name__ == "__main__":
    unittest.main()
