"""A forecast of the weather: fetched, checked, kept, and followed by the plan."""
import datetime
import json
import os
import sqlite3
import unittest

from harness import Answer, SystemTest, utc

SOLAR = 'solar = ( { name = "roof"; peak_kw = 5.0; tilt_deg = 30; azimuth_deg = 180; inverter_kw = 5.0; } );\n'
INPUT = 'solar_power = { topic = "house/solar"; unit = "W"; };'
MAPPING = 'format = "json"; list = "/hours"; start = "/from"; slot_minutes = 60; value = "/sun/level_w_m2"; temperature = "/air/c";'
PATH = "/here.json"


def told(day, share, hours=72, air=12.0):
    """Irradiance of a made-up day, as a share of a bright one."""
    start = utc(f"{day} 00:00")
    rows = []
    for i in range(hours):
        at = datetime.datetime.fromtimestamp(start + i * 3600, datetime.timezone.utc)
        height = max(0.0, 1 - ((at.hour + 0.5 - 12.5) / 5) ** 2)
        rows.append({"from": at.strftime("%Y-%m-%dT%H:%M:%SZ"), "sun": {"level_w_m2": round(500 * share * height, 1)}, "air": {"c": air}})
    return json.dumps({"hours": rows}).encode()


class Weather(SystemTest):
    def setUp(self):
        super().setUp()
        self.house["house/solar"] = "0"

    def start(self, source, at="2041-01-15 06:00"):
        config = self.config(inputs=INPUT)
        with open(config, "a", encoding="utf-8") as stream:
            stream.write(SOLAR + f"weather = {{ {source} }};\n")
        self.daemon = self.run_daemon(config)
        self.begin(at)

    def http(self, port, extra=""):
        return f'kind = "http"; name = "told"; url = "http://127.0.0.1:{port}{PATH}"; {MAPPING} {extra}'

    def start_http(self, *answers, at="2041-01-15 06:00"):
        self.server = self.serve_rates()
        self.server.answer(PATH, *answers)
        self.start(self.http(self.server.port), at)

    def sun_kwh(self):
        """Of the rest of the first day of the plan."""
        return sum(slot["solar_kw"] / 2 for slot in self.plan() if slot["start"].startswith("2041-01-15"))

    def test_the_plan_expects_a_bright_day_or_a_dull_one_as_it_is_told(self):
        self.start_http(Answer(body=told("2041-01-15", 1.0)))
        self.daemon.wait_line(r"weather: told: irradiance accepted: 72 slots")
        self.daemon.wait_line(r"weather: told: temperature accepted: 72 slots")
        self.daemon.wait_line(r"weather: nothing to hold it against yet; it makes 60 % of the expected sun")
        bright = self.sun_kwh()
        self.server.answer(PATH, Answer(body=told("2041-01-15", 0.1)))
        self.live(3900, by=300)
        self.assertLess(self.sun_kwh(), 0.6 * bright)
        self.assertEqual(self.value("health/fault"), "none")

    def test_it_is_asked_for_once_an_hour_and_an_unrevised_answer_is_as_good_as_a_new_one(self):
        self.start_http(Answer(body=told("2041-01-15", 1.0), headers={"ETag": '"one"'}), Answer(304))
        self.live(4 * 3600, by=60)
        self.assertIn(self.server.count(PATH), (4, 5))
        tags = [headers.get("If-None-Match") for path, headers in self.server.requests if path == PATH]
        self.assertEqual(tags[0], None)
        self.assertEqual(set(tags[1:]), {'"one"'})

    def test_a_document_with_one_absurd_number_is_refused_as_a_whole_and_the_old_word_stays(self):
        self.start_http(Answer(body=told("2041-01-15", 1.0)))
        bright = self.sun_kwh()
        absurd = json.loads(told("2041-01-15", 0.1))
        absurd["hours"][40]["sun"]["level_w_m2"] = 90000
        self.server.answer(PATH, Answer(body=json.dumps(absurd).encode()))
        self.live(3900, by=300)
        self.daemon.wait_line(r"weather: told: refused, what was told before stays: the irradiance at 2041-01-16T16:00:00\+00:00 is "
                              r"90 kW/m2, but -0.01 to 1.6 is plausible")
        self.assertGreater(self.sun_kwh(), 0.8 * bright)

    def test_a_document_of_the_past_is_refused(self):
        self.start_http(Answer(body=told("2041-01-10", 1.0, hours=24)))
        self.daemon.wait_line(r"weather: told: refused, .*it ends at 2041-01-11T00:00:00\+00:00, which is no forecast")
        self.assertEqual(self.value("health/fault"), "none")

    def test_a_service_in_trouble_does_no_harm(self):
        self.start_http(Answer(500, b"oops"))
        self.live(600)
        self.daemon.wait_line(r"weather: told: .*500")
        self.assertEqual(self.value("health/fault"), "none")
        self.assertTrue(self.plan())

    def test_what_was_told_is_kept_across_a_restart(self):
        self.start_http(Answer(body=told("2041-01-15", 0.1)))
        dull = self.sun_kwh()
        self.stop(self.daemon)
        port = self.server.port
        self.server.close()
        self.start(self.http(port), at="2041-01-15 06:10")
        self.assertAlmostEqual(self.sun_kwh(), dull, delta=0.1 * dull)

    def test_of_what_is_told_every_hour_the_memory_card_sees_four_writes_a_day(self):
        self.start_http(Answer(body=told("2041-01-15", 1.0)))
        def stored():
            with sqlite3.connect(self.path("state/granary.db")) as database:
                return database.execute("SELECT max(price_per_kwh) FROM rates WHERE direction = 'irradiance'").fetchone()[0]
        self.assertAlmostEqual(stored(), 0.5, delta=0.01)
        self.server.answer(PATH, Answer(body=told("2041-01-15", 0.5)))
        self.live(2 * 3600, by=300)
        self.daemon.wait_line(r"irradiance accepted: 72 slots, .* 0\.000 to 0\.2")
        self.assertAlmostEqual(stored(), 0.5, delta=0.01)
        self.live(5 * 3600, by=300)
        self.assertAlmostEqual(stored(), 0.25, delta=0.01)

    def test_a_file_is_read_again_when_it_changes(self):
        path = self.path("weather.json")
        def write(share):
            with open(path + ".new", "wb") as stream:
                stream.write(told("2041-01-15", share))
            os.replace(path + ".new", path)
        write(1.0)
        self.start(f'kind = "file"; name = "told"; path = "{path}"; {MAPPING}')
        bright = self.sun_kwh()
        write(0.1)
        self.live(300)
        self.assertLess(self.sun_kwh(), 0.6 * bright)


class Check(SystemTest):
    def check(self, body):
        server = self.serve_rates()
        server.answer(PATH, Answer(body=body))
        config = self.config(inputs=INPUT)
        with open(config, "a", encoding="utf-8") as stream:
            stream.write(SOLAR + f'weather = {{ kind = "http"; name = "told"; url = "http://127.0.0.1:{server.port}{PATH}"; {MAPPING} }};\n')
        return self.run_tool("check", "--live", "--seconds", "5", config)

    def test_a_live_check_looks_at_the_weather_too(self):
        today = datetime.datetime.now(datetime.timezone.utc).date().isoformat()
        run = self.check(told(today, 1.0))
        self.assertRegex(run.stdout, r'Weather, live\n  "told": good\n    72 slots from .*\n    irradiance: least 0\.0000, median .*, greatest 0\.5')

    def test_a_live_check_tells_what_is_wrong_with_it(self):
        run = self.check(told("2020-01-01", 1.0))
        self.assertEqual(run.returncode, 1)
        self.assertRegex(run.stdout, r'"told": it ends at 2020-01-04.*, which is no forecast')


if __name__ == "__main__":
    unittest.main()
