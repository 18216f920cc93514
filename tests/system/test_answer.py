"""The loop is closed: what the battery does is compared with what it was told."""
import unittest

from harness import SystemTest


class Answer(SystemTest):
    def start(self):
        self.house["house/soc"] = "50"
        self.daemon = self.run_daemon(self.config(answer_s=120))
        self.begin("2041-01-15 02:00")
        self.assert_command("charge")

    def obey(self, share=1.0):
        """The next readings show the battery doing so much of what is commanded, and what it has stored by then."""
        document = self.document()
        watts = document["power_w"] * share if document["command"] == "charge" else 0
        self.house["house/battery"] = str(watts)
        self.house["house/meter"] = f'{{"power": {400 + watts}}}'

    def live_obeying(self, seconds, share=1.0):
        for _ in range(seconds // 20):
            self.obey(share)
            percent = float(self.house["house/soc"]) + float(self.house["house/battery"]) / 1000 * 20 / 3600 / 10 * 100
            self.house["house/soc"] = f"{percent:.3f}"
            self.step(20)

    def test_a_battery_that_obeys_is_said_to_follow(self):
        self.start()
        self.live_obeying(300)
        self.assertEqual(self.value("health/inverter"), "follows")
        self.assert_command("charge")

    def test_a_deaf_battery_is_told_again_then_left_to_follow_with_an_alarm(self):
        self.start()
        first = self.document()["sequence"]
        self.live(140, by=20)
        self.assertEqual(self.value("health/inverter"), "retried")
        self.assert_command("charge")
        self.assertGreater(self.document()["sequence"], first)
        self.live(160, by=20)
        self.assert_command("follow", "inverter")
        self.assertEqual((self.value("health/inverter"), self.value("health/mode")), ("refuses", "fallback"))
        self.assertIn("the battery is at +0.00 kW", self.value("health/reason"))
        self.daemon.wait_line("^<3>|the battery does not follow: charge")
        self.assertLessEqual(int(self.value("health/changes")), 3)
        self.live(1200)
        self.assertEqual(self.value("health/inverter"), "refuses")

    def test_a_battery_that_gives_less_is_planned_with_what_it_gives(self):
        self.start()
        self.live_obeying(300, share=0.5)
        self.assertEqual(self.value("health/inverter"), "limited")
        self.assert_command("charge")
        self.daemon.wait_line("planning with that")


if __name__ == "__main__":
    unittest.main()
