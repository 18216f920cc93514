"""Rate tables that come, change, come late and come again: over HTTP and from a file."""
import os
import unittest

from harness import Answer, MAPPING, SystemTest, http_source, moment, table, utc

FLAT = [0.25] * 24
CHEAP_NIGHT = [0.05] * 6 + [0.40] * 18
TODAY, TOMORROW = "/day-2041-01-15.json", "/day-2041-01-16.json"

CARBON = """{{ kind = "http"; name = "intensity"; url = "http://127.0.0.1:{port}/carbon-{{year}}-{{month}}-{{day}}.json";
    format = "json"; list = "/intervals"; start = "/from"; end = "/to"; intensity = "/price"; unit = "g_per_kwh"; }}"""


class Carbon(SystemTest):
    """One price all day; what a kWh stands for is fetched beside it."""

    def setUp(self):
        super().setUp()
        self.server = self.serve_rates()
        self.house["house/soc"] = "20"
        flat = '{ kind = "bands"; name = "flat"; bands = ( { price_per_kwh = 0.20; } ); }'
        self.written = self.config(f"{flat} ); carbon = ( {CARBON.format(port=self.server.port)}", safety="")
        with open(self.written, "a", encoding="utf-8") as stream:
            stream.write("planning = { carbon_price_per_kg = 0.50; };\n")

    def test_a_table_of_carbon_moves_the_plan_and_stands_beside_its_money_over_a_restart_too(self):
        grams = [500.0] * 4 + [20.0] * 2 + [500.0] * 18
        self.server.answer("/carbon-2041-01-15.json", Answer(body=table("2041-01-15", grams)))
        for life in ("first", "second"):
            daemon = self.run_daemon(self.written)
            self.begin("2041-01-15 04:00")
            self.live(720)  # the follow of the start stays for its time
            with self.subTest(life=life):
                slot = self.plan()[0]
                self.assertEqual((slot["command"], slot["import_price"]), ("charge", 0.20))
                self.assertAlmostEqual(slot["carbon_kg_per_kwh"], 0.020, 9)
                hours = (moment(slot["end"]) - moment(slot["start"])) / 3600
                self.assertAlmostEqual(slot["import_co2_kg"], 0.020 * hours * slot["grid_kw"], 6)
                self.assertAlmostEqual(slot["cost"], 0.20 * hours * slot["grid_kw"], 6)
                self.assert_command("charge")
                self.assertIn("importing now costs 0.2000 and 0.0100 for its carbon", slot["reason"])
            if life == "first":
                daemon.wait_line(r"rates: intensity: carbon table accepted: 24 slots.*0\.0200 to 0\.5000 kg per kWh")
            self.stop(daemon)
            self.server.answer("/carbon-2041-01-15.json", Answer(500))

    def test_without_a_table_of_carbon_commands_go_on_by_money_alone(self):
        self.server.answer("/carbon-2041-01-15.json", Answer(body=table("2041-01-15", [2500.0] * 24)))
        daemon = self.run_daemon(self.written)
        self.begin("2041-01-15 04:00")
        daemon.wait_line(r"rates: intensity: refused, .*is 2.5 per kWh, but 0 to 2 per kWh is plausible")
        self.live(120)
        self.assertEqual(self.value("health/fault"), "none")
        self.assertNotIn("carbon_kg_per_kwh", self.plan()[0])


class Published(SystemTest):
    """One table a day, each under its own address, tomorrow's from 14:00 on."""

    def setUp(self):
        super().setUp()
        self.server = self.serve_rates()
        self.server.answer(TODAY, Answer(body=table("2041-01-15", FLAT)))

    def start(self, at, **groups):
        self.daemon = self.run_daemon(self.config(http_source(self.server.port, 'fetch_from = "14:00";'), **groups))
        self.begin(at)

    def known_until(self):
        return moment(self.value("health/rates-until"))

    def asked_at(self, path, steps, by=10):
        """Simulated seconds, from now on, of each further request for the path."""
        start, times, count = self.now, [], self.server.count(path)
        for _ in range(steps):
            self.step(by)
            if self.server.count(path) > count:
                count = self.server.count(path)
                times.append(self.now - start)
        return times

    def test_todays_table_is_in_force_within_the_first_turn(self):
        self.start("2041-01-15 02:00")
        self.assertEqual(self.value("health/fault"), "none")
        self.assertEqual(self.known_until(), utc("2041-01-16 00:00"))
        self.daemon.wait_line(r"rates: published: import table accepted: 24 slots")

    def test_tomorrows_table_is_asked_for_from_its_hour_on_and_taken_when_it_is_published(self):
        self.start("2041-01-15 13:00")
        self.live(3500)
        self.assertEqual(self.server.count(TOMORROW), 0)
        self.live(900)
        self.assertGreaterEqual(self.server.count(TOMORROW), 2)
        self.assertTrue([slot for slot in self.plan() if slot["expected_price"]])
        self.server.answer(TOMORROW, Answer(body=table("2041-01-16", CHEAP_NIGHT)))
        self.live(3600)
        self.assertEqual(self.known_until(), utc("2041-01-17 00:00"))
        night = [slot for slot in self.plan() if "2041-01-16T00:00" <= slot["start"][:16] < "2041-01-16T06:00"]
        self.assertEqual({(slot["import_price"], slot["expected_price"]) for slot in night}, {(0.05, False)})
        self.assertEqual(self.value("health/fault"), "none")

    def test_the_plan_fills_the_battery_in_the_cheap_hours_of_the_next_table(self):
        self.house["house/soc"] = "15"
        self.server.answer(TOMORROW, Answer(body=table("2041-01-16", CHEAP_NIGHT)))
        self.start("2041-01-15 15:00")
        self.live(180)
        self.assertIn("charge", {s["command"] for s in self.plan() if "2041-01-16T00:00" <= s["start"][:16] < "2041-01-16T06:00"})

    def test_a_table_is_asked_for_once_where_nothing_is_missing(self):
        self.server.answer(TOMORROW, Answer(body=table("2041-01-16", CHEAP_NIGHT)))
        self.start("2041-01-15 12:00")
        self.live(6 * 3600, by=100)
        self.assertEqual((self.server.count(TODAY), self.server.count(TOMORROW)), (1, 1))

    def start_failing(self):
        """To the first request for tomorrow's table."""
        self.start("2041-01-15 14:30")
        for _ in range(20):
            if self.server.count(TOMORROW) == 0:
                self.step(10)
        self.assertEqual(self.server.count(TOMORROW), 1)

    def test_a_server_that_asks_for_patience_is_left_alone_for_as_long_as_it_says(self):
        self.server.answer(TOMORROW, Answer(429, headers={"Retry-After": "1800"}),
                           Answer(body=table("2041-01-16", CHEAP_NIGHT)))
        self.start_failing()
        self.daemon.wait_line(r"rates: published: .*429")
        times = self.asked_at(TOMORROW, 80, by=30)
        self.assertEqual(len(times), 1)
        self.assertTrue(1790 <= times[0] <= 1800 * 1.2 + 30, times)
        self.assertEqual(self.known_until(), utc("2041-01-17 00:00"))

    def test_a_server_in_trouble_is_asked_less_and_less_often(self):
        self.server.answer(TOMORROW, Answer(500, b"oops"))
        self.start_failing()
        times = self.asked_at(TOMORROW, 200)
        gaps = [after - before for before, after in zip([0, *times], times)]
        for gap, minutes in zip(gaps, (1, 2, 4, 8)):
            self.assertTrue(minutes * 60 <= gap <= minutes * 72 + 10, gaps)
        self.assertTrue(4 <= len(gaps) <= 5, gaps)
        self.assertEqual(self.value("health/fault"), "none")

    def test_a_restart_without_the_rate_server_goes_on_with_the_stored_table(self):
        for end in ("orderly", "killed"):
            with self.subTest(end=end):
                port = self.server.port
                self.start("2041-01-15 02:00")
                if end == "orderly":
                    self.stop(self.daemon)
                else:
                    self.daemon.kill()
                self.server.close()
                self.start("2041-01-15 03:00")
                self.assertEqual(self.value("health/fault"), "none")
                self.assertEqual(self.known_until(), utc("2041-01-16 00:00"))
                self.daemon.kill()
                os.remove(self.path("state/granary.db"))
                self.server = self.serve_rates(port)
                self.server.answer(TODAY, Answer(body=table("2041-01-15", FLAT)))

    def test_without_any_table_the_battery_follows_the_house_and_says_why(self):
        self.server.answer(TODAY, Answer(404))
        self.start("2041-01-15 02:00")
        self.assert_command("follow", "rates")
        self.server.answer(TODAY, Answer(body=table("2041-01-15", CHEAP_NIGHT)))
        self.live(600)
        self.assert_command("charge")

    def test_the_present_price_running_out_ends_in_follow(self):
        self.start("2041-01-15 23:30")
        self.assertEqual(self.value("health/fault"), "none")
        self.live(1860)
        self.assert_command("follow", "rates")


class OneAddress(SystemTest):
    """One document under one address, which always holds today and, from 14:00 on, tomorrow."""

    def start(self, at):
        self.server = self.serve_rates()
        self.today = table("2041-01-15", FLAT)
        self.server.answer("/rates.json", Answer(body=self.today, headers={"ETag": '"first"'}))
        source = http_source(self.server.port, 'fetch_from = "14:00";', "/rates.json")
        self.daemon = self.run_daemon(self.config(source, safety="dwell_s = 60;"))
        self.begin(at)

    def test_an_unchanged_document_is_asked_for_with_its_tag_and_asked_again_later(self):
        self.start("2041-01-15 13:50")
        self.server.answer("/rates.json", Answer(304))
        self.live(900)
        tags = [headers.get("If-None-Match") for path, headers in self.server.requests if path == "/rates.json"]
        self.assertEqual(tags[0], None)
        self.assertGreaterEqual(len(tags), 3)
        self.assertEqual(set(tags[1:]), {'"first"'})
        self.assertEqual(self.value("health/fault"), "none")
        self.server.answer("/rates.json", Answer(body=self.both(FLAT), headers={"ETag": '"second"'}))
        self.live(1200)
        self.assertEqual(self.value("health/rates-until")[:16], "2041-01-17T00:00")

    def both(self, today):
        first, second = table("2041-01-15", today), table("2041-01-16", [0.50] * 24)
        return first[:-2] + b", " + second[len(b'{"intervals": ['):]

    def test_a_revised_price_changes_plan_and_command(self):
        self.house["house/soc"] = "20"
        self.start("2041-01-15 13:50")
        self.assertNotEqual(self.document()["command"], "charge")
        before = self.plan()
        self.server.answer("/rates.json", Answer(body=self.both(FLAT[:14] + [0.02] * 2 + FLAT[16:])))
        self.live(900)
        self.assertEqual(self.server.count("/rates.json"), 2)
        self.assert_command("charge")
        self.assertEqual(before[1]["import_price"], 0.25)
        self.assertEqual(self.plan()[0]["import_price"], 0.02)


class FromFile(SystemTest):
    def write(self, prices):
        """As one should: a new file takes the place of the old one."""
        with open(self.path("new.json"), "wb") as file:
            file.write(table("2041-01-15", prices + [0.30] * 24))
        os.replace(self.path("new.json"), self.path("rates.json"))

    def start(self, at):
        source = f'{{ kind = "file"; name = "on disk"; path = "{self.path("rates.json")}"; {MAPPING} }}'
        self.daemon = self.run_daemon(self.config(source, safety="dwell_s = 60;"))
        self.begin(at)

    def test_a_table_is_read_and_read_again_when_the_file_changes(self):
        self.write(FLAT)
        self.start("2041-01-15 10:00")
        self.assertEqual(self.value("health/fault"), "none")
        self.assertEqual(self.plan()[0]["import_price"], 0.25)
        self.write(FLAT[:10] + [0.03] * 2 + FLAT[12:])
        self.live(120)
        self.assertEqual(self.plan()[0]["import_price"], 0.03)
        self.assert_command("charge")
        self.assertEqual(len(self.daemon.matching("table accepted")), 2)

    def test_a_file_that_appears_later_is_found(self):
        self.start("2041-01-15 10:00")
        self.assert_command("follow", "rates")
        self.write(FLAT)
        self.live(600)
        self.assertEqual(self.value("health/fault"), "none")

    def test_a_spoilt_file_is_refused_once_and_the_last_good_table_stays(self):
        self.write(FLAT)
        self.start("2041-01-15 10:00")
        with open(self.path("rates.json"), "wb") as file:
            file.write(table("2041-01-15", FLAT)[:300])
        self.live(600)
        self.assertEqual(self.value("health/fault"), "none")
        self.assertEqual(len(self.daemon.matching("refused, the last good table stays")), 1)


if __name__ == "__main__":
    unittest.main()
