"""Whatever goes wrong with clock, readings, grid or prices ends in `follow` within one turn, with the reason."""
import unittest

from harness import BANDS, SystemTest

MAINS = 'grid_present = { topic = "house/mains"; unit = "boolean"; };'


class Guard(SystemTest):
    def start(self, rates=BANDS, at="2041-01-15 02:00", **groups):
        self.daemon = self.run_daemon(self.config(rates, **groups))
        self.begin(at)

    def assert_follow(self, fault, words):
        self.assert_command("follow", fault)
        for text in (self.value("health/reason"), self.document()["reason"], self.value("command/reason")):
            self.assertIn(words, text)
        self.assertEqual((self.value("health/mode"), self.value("command/power")), ("fallback", "0"))

    def test_no_state_of_charge_yet(self):
        self.house["house/soc"] = None
        self.start()
        self.assert_follow("starting", "first live state of charge")

    def test_a_state_of_charge_that_is_too_old(self):
        self.start()
        self.house["house/soc"] = None
        self.live(300)
        self.assert_command("charge")
        self.step(10)
        self.assert_follow("state-of-charge", "310 s old, at most 300 s")

    def test_powers_that_are_too_old(self):
        self.start()
        self.house["house/meter"] = None
        self.live(120, by=20)
        self.assert_command("charge")
        self.step(10)
        self.assert_follow("power", "power readings")

    def test_a_state_of_charge_that_stands_still_while_the_battery_is_filled(self):
        self.start()
        self.house["house/battery"] = "3000"
        self.house["house/meter"] = '{"power": 3400}'
        self.live(1800)
        self.assert_follow("state-of-charge", "stands at 30.0 %")

    def test_a_lone_jump_of_the_state_of_charge_is_not_believed(self):
        self.start()
        self.house["house/soc"] = "100"
        self.step()
        self.assert_command("charge")
        self.house["house/soc"] = "30"
        self.live(300)
        self.assert_command("charge")

    def test_a_clock_that_is_stepped(self):
        for seconds in (3600, -3600):
            with self.subTest(seconds=seconds):
                self.start()
                self.clock_error += seconds
                self.step(10)
                self.assert_follow("clock", "stepped")
                self.live(60, by=10)
                self.assert_command("follow", "recovering")
                self.live(120, by=10)
                self.assertEqual(self.value("health/fault"), "none")
                self.stop(self.daemon)

    def test_a_clock_that_is_not_synchronised(self):
        self.start()
        self.synchronised = False
        self.step(10)
        self.assert_follow("clock", "not synchronised")

    def test_a_clock_that_was_never_set(self):
        self.start(at="1970-01-02 02:00")
        self.assert_follow("clock", "not been set")

    def test_a_grid_that_is_absent(self):
        self.house["house/mains"] = "true"
        self.start(inputs=MAINS, safety="dwell_s = 0;")
        self.assert_command("charge")
        self.house["house/mains"] = "false"
        self.step(10)
        self.assert_follow("grid-absent", "grid is absent")
        self.house["house/mains"] = "true"
        self.live(200)
        self.assert_command("charge")

    def test_a_grid_that_was_absent_when_last_heard_of(self):
        self.watcher.publish("house/mains", "false", retained=True)
        self.start(inputs=MAINS)
        self.assert_follow("grid-absent", "grid is absent")

    def test_no_published_price(self):
        server = self.serve_rates()
        self.start(f'{{ kind = "http"; name = "none"; url = "http://127.0.0.1:{server.port}/"; format = "json"; list = "/a"; '
                   'start = "/s"; slot_minutes = 60; price = "/p"; unit = "per_kwh"; }')
        self.assert_follow("rates", "no published import price")

    def test_a_kettle_that_would_break_the_import_limit_cuts_the_charge(self):
        self.start()
        power = self.document()["power_w"]
        self.house["house/battery"] = str(power)
        self.house["house/meter"] = f'{{"power": {12500 + power}}}'
        self.step(10)
        self.assertLessEqual(self.document()["power_w"], 1300)

    def test_the_battery_never_feeds_the_car(self):
        self.house.update({"house/soc": "80", "house/car": "0"})
        self.start(at="2041-01-15 18:00", inputs='car_power = { topic = "house/car"; unit = "W"; };')
        self.house.update({"house/car": "7000", "house/meter": '{"power": 7400}'})
        self.step(10)
        self.assertNotIn(self.document()["command"], ("follow", "serve", "export"))
        self.assertEqual(self.value("health/fault"), "none")


if __name__ == "__main__":
    unittest.main()
