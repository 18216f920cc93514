"""granary forecast, from the outside: what it prints, for people and for programs, and what it refuses."""
import csv
import datetime
import json
import math
import os
import sqlite3
import subprocess
import unittest

from harness import SOURCE, TOOL, SystemTest, utc

DAYS = 40
BASELINES = ["yesterday", "last_week", "like_days", "last_7_days", "last_28_days"]


def stamp(index):
    return datetime.datetime.fromtimestamp(utc("2026-03-02 00:00") + index * 1800, datetime.timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")


def usage_rows(days=DAYS):
    """An evening load and a midday sun, each with a course of its own from day to day."""
    for i in range(days * 48):
        hour, day = (i % 48) / 2, i // 48
        load = 0.2 + (0.6 if 17 <= hour < 22 else 0) + 0.1 * ((day * 7 + i * 3) % 5)
        sun = max(0, 2 * math.sin((hour - 6) * math.pi / 12)) * (0.4 + 0.15 * ((day * 3) % 5))
        yield stamp(i), round(load / 2, 4), round(sun / 2, 4)


class Forecast(SystemTest):
    def prepare_broker(self):
        with open(self.path("usage.csv"), "w", encoding="utf-8") as file:
            csv.writer(file).writerows([("start_utc", "load_kwh", "solar_kwh"), *usage_rows()])

    def forecast(self, *arguments):
        return self.run_tool("forecast", *arguments)

    def json_of(self, *arguments):
        done = self.forecast("--usage", self.path("usage.csv"), "--json", *arguments)
        self.assertEqual(done.returncode, 0, done.stderr)
        return json.loads(done.stdout)

    def test_the_evaluation_has_the_members_that_are_documented(self):
        result = self.json_of("--evaluate")
        self.assertEqual(set(result), {"load", "solar"})
        for part in result.values():
            self.assertEqual(set(part), {"slots", "true_mean_kw", "mae_kw", "nmae", "pinball_kw", "coverage", "mean", "baselines"})
            self.assertEqual(list(part["baselines"]), BASELINES)
            for baseline in part["baselines"].values():
                self.assertEqual(set(baseline), {"mae_kw", "pinball_kw", "rmse_kw"})
            self.assertAlmostEqual(part["nmae"], part["mae_kw"] / part["true_mean_kw"], places=6)
            self.assertTrue(0 <= part["coverage"] <= 1)
        self.assertGreater(result["load"]["slots"], 300)

    def test_the_hours_to_come_follow_the_files_end(self):
        result = self.json_of()
        self.assertEqual((len(result["slots"]), result["step_s"], result["levels"]), (64, 1800, [0.1, 0.25, 0.5, 0.75, 0.9]))
        self.assertEqual(result["slots"][0]["start"], stamp(DAYS * 48))
        night = result["slots"][4]
        self.assertEqual(night["solar"]["mean_kw"], 0)
        self.assertEqual(sorted(night["load"]["quantiles_kw"]), night["load"]["quantiles_kw"])

    def test_with_a_configuration_it_says_what_the_readings_say_of_the_arrays(self):
        config = os.path.join(SOURCE, "conf", "granary.conf")
        arrays = self.json_of("--config", config)["arrays"]
        self.assertEqual(arrays["days"], DAYS)
        self.assertEqual(set(arrays), {"days", "scale", "turned", "tilt_deg", "azimuth_deg", "shadows"})
        done = self.forecast("--usage", self.path("usage.csv"), "--config", config)
        self.assertRegex(done.stdout, r"arrays, from the brightest of 40 days: they give 0\.\d\d of what")

    def test_five_minute_means_of_the_daemon_tell_the_load_inside_half_hours(self):
        config = self.config()
        done = self.run_tool("import", config, self.path("usage.csv"))  # begins the store
        self.assertEqual(done.returncode, 0, done.stderr)
        with sqlite3.connect(self.path("state/granary.db")) as store:
            for i in range(10 * 288):  # a kettle in one of the six parts of each half hour
                store.execute("INSERT INTO fine (start_s, house_kw, house_samples, solar_samples, battery_samples, grid_samples, car_samples,"
                              " state_of_charge_samples) VALUES (?, ?, 30, 0, 30, 30, 0, 5)", (utc("2026-03-02 00:00") + i * 300, 2 if i % 6 == 4 else 0.2))
        within = self.json_of("--config", config)["within"]
        self.assertEqual((within["slot_s"], within["step_s"], within["slots"]), (1800, 300, 480))
        for level in within["levels"]:
            self.assertAlmostEqual(sum(level["share_of_mean"]) / 5, 1)
            self.assertAlmostEqual(level["share_of_mean"][0], 0.4)
        done = self.forecast("--usage", self.path("usage.csv"), "--config", config, "--evaluate")
        self.assertIn("inside 30 minutes, from the means over 5 minutes of 480 of them", done.stdout)
        self.assertRegex(done.stdout, r"middle   third of the means, up to  0\.500 kW: 0\.40 0\.40 0\.40 0\.40 3\.40")

    def test_weather_is_taken_from_a_second_file(self):
        with open(self.path("weather.csv"), "w", encoding="utf-8") as file:
            rows = [(start, round(sun * 400, 1)) for start, _, sun in usage_rows(DAYS + 2)]
            csv.writer(file).writerows([("start_utc", "irradiance_w_m2"), *rows])
        told = self.json_of("--evaluate", "--weather", self.path("weather.csv"))["solar"]
        self.assertLess(told["mae_kw"], 0.7 * self.json_of("--evaluate")["solar"]["mae_kw"])

    def test_what_cannot_be_done_is_said_with_the_reason(self):
        for arguments, words in (([], "--usage FILE.csv is needed"),
                                 (["--usage", self.path("none.csv")], "none.csv"),
                                 (["--usage", self.path("usage.csv"), "--timezone", "Nowhere/Land"], "Nowhere/Land"),
                                 (["--usage", self.path("usage.csv"), "--weather", self.path("usage.csv")], "irradiance_w_m2"),
                                 (["--usage", self.path("usage.csv"), "--loud"], '"--loud" is not understood')):
            with self.subTest(words=words):
                done = self.forecast(*arguments)
                self.assertEqual(done.returncode, 2)
                self.assertIn(words, done.stderr)

    def test_a_full_disk_at_the_other_end_is_no_success(self):
        with open("/dev/full", "w", encoding="utf-8") as full:
            done = subprocess.run([TOOL, "forecast", "--usage", self.path("usage.csv")], stdout=full, stderr=subprocess.PIPE,
                                  text=True, check=False)
        self.assertEqual(done.returncode, 1)
        self.assertIn("standard output cannot be written", done.stderr)


if __name__ == "__main__":
    unittest.main()
