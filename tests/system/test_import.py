"""granary import: past usage from a file into the history that plans are made from."""
import datetime
import json
import os
import signal
import sqlite3
import unittest
import zoneinfo

from harness import SystemTest

HALF_HOUR_S = 1800
LISBON = zoneinfo.ZoneInfo("Europe/Lisbon")


def text(moment):
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


class Import(SystemTest):
    def setUp(self):
        super().setUp()
        today = datetime.datetime.now(datetime.timezone.utc).replace(hour=0, minute=0, second=0, microsecond=0)
        self.begin_day = today - datetime.timedelta(days=20)

    def write_csv(self, rows, header="start_utc,load_kwh", name="usage.csv"):
        with open(self.path(name), "w", encoding="utf-8") as file:
            file.write("\n".join([header, *rows]) + "\n")
        return self.path(name)

    def rows(self, days=20, minutes=30, peak_hour=3, peak_kw=3.0):
        """A house that takes 0.2 kW but for one hour of the UTC day."""
        count = days * 24 * 60 // minutes
        for i in range(count):
            moment = self.begin_day + datetime.timedelta(minutes=i * minutes)
            kw = peak_kw if moment.hour == peak_hour else 0.2
            yield f"{text(moment)},{kw * minutes / 60:.8f}"

    def kept(self):
        with sqlite3.connect(self.path("state/granary.db")) as database:
            return database.execute("SELECT start_s, house_kw, solar_kw, grid_kw, outdoor_c FROM slots ORDER BY start_s").fetchall()

    def planned_load_kw(self, config, hour):
        run = self.run_tool("plan", "--json", "--state-of-charge", "50", config)
        self.assertEqual(run.returncode, 0, run.stderr)
        loads = [slot["house_kw"] for slot in json.loads(run.stdout)["slots"]
                 if datetime.datetime.fromisoformat(slot["start"].replace("Z", "+00:00")).astimezone(datetime.timezone.utc).hour == hour]
        return sum(loads) / len(loads)

    # ---- what is kept

    def test_after_an_import_the_plan_knows_the_house(self):
        config = self.config()
        before = self.planned_load_kw(config, 3)
        run = self.run_tool("import", config, self.write_csv(self.rows()))
        self.assertEqual((run.returncode, run.stderr), (0, ""))
        for words in ("960 rows, a step of 30 minutes", "gaps           none", "load 7.60 kWh", "Kept 960 half hours"):
            self.assertIn(words, run.stdout)
        self.assertLess(before, 1.5)
        self.assertGreater(self.planned_load_kw(config, 3), 2.0)
        self.assertLess(self.planned_load_kw(config, 12), 0.5)

    def test_every_step_becomes_half_hours(self):
        for minutes in (5, 15, 30, 60):
            with self.subTest(minutes=minutes):
                file = self.write_csv(self.rows(days=2, minutes=minutes))
                run = self.run_tool("import", self.config(), file)
                self.assertEqual((run.returncode, run.stderr), (0, ""))
                kept = self.kept()
                self.assertEqual(len(kept), 96)
                for start_s, house_kw, solar_kw, _, _ in kept:
                    self.assertAlmostEqual(house_kw, 3.0 if start_s // 3600 % 24 == 3 else 0.2, places=5)
                    self.assertIsNone(solar_kw)

    def test_local_end_stamps_in_watts_and_other_columns(self):
        start = self.begin_day.astimezone(LISBON)
        rows = []
        for i in range(48):
            end = (self.begin_day + datetime.timedelta(minutes=15 * (i + 1))).astimezone(LISBON)
            rows.append(f"{end:%Y-%m-%d %H:%M};{i * 100};1500,5;11")
        file = self.write_csv(rows, "when;used;sun;outside")
        run = self.run_tool("import", "--start", "when", "--load", "used", "--solar", "sun", "--temperature", "outside", "--unit", "W",
                            "--local-time", "--end-stamps", "--separator", ";", self.config(), file)
        self.assertEqual((run.returncode, run.stderr), (0, ""), f"from {start}")
        kept = self.kept()
        self.assertEqual(len(kept), 24)
        self.assertEqual(kept[0][0], int(self.begin_day.timestamp()))
        self.assertAlmostEqual(kept[0][1], 0.05)
        self.assertAlmostEqual(kept[23][1], 4.65)
        self.assertAlmostEqual(kept[5][2], 1.5005)
        self.assertEqual(kept[5][4], 11)

    def test_gaps_are_not_filled(self):
        rows = list(self.rows(days=2))
        del rows[10:20]
        rows[30] = rows[30].split(",")[0] + ","
        run = self.run_tool("import", self.config(), self.write_csv(rows))
        self.assertEqual(run.returncode, 0, run.stderr)
        self.assertIn("gaps           2, the longest of 5 hours", run.stdout)
        self.assertEqual(len(self.kept()), 85)

    def test_a_single_slip_of_the_unit_is_left_out_and_told(self):
        rows = list(self.rows(days=5))
        rows[50] = rows[50].split(",")[0] + ",250"
        run = self.run_tool("import", self.config(), self.write_csv(rows))
        self.assertEqual(run.returncode, 0, run.stderr)
        self.assertIn("1 values far above the others, of which 1 above 100 kW are left out", run.stdout)
        self.assertEqual(len(self.kept()), 239)

    def with_car(self):
        """The same house with a car of 7.2 kW on every other evening."""
        for i, row in enumerate(self.rows(peak_kw=0.5)):
            start, kwh = row.split(",")
            charges = i // 48 % 2 == 0 and 40 <= i % 48 < 46
            yield f"{start},{float(kwh) + (3.6 if charges else 0):.4f}"

    def test_a_car_inside_the_load_is_taken_out_where_that_is_asked_for(self):
        config, file = self.config(), self.write_csv(self.with_car())
        run = self.run_tool("import", "--dry-run", config, file)
        self.assertNotIn("car  ", run.stdout)
        run = self.run_tool("import", "--car-inside", config, file)
        self.assertEqual((run.returncode, run.stderr), (0, ""))
        self.assertIn("car            10 blocks of 7.2 kW, 216 kWh, taken out of the load", run.stdout)
        self.assertLess(max(house_kw for _, house_kw, _, _, _ in self.kept()), 0.6)

    # ---- what is refused

    def test_what_is_known_is_not_overwritten_unasked(self):
        config = self.config()
        self.assertEqual(self.run_tool("import", config, self.write_csv(self.rows())).returncode, 0)
        first = self.kept()
        self.assertEqual(self.run_tool("import", config, self.write_csv(self.rows())).returncode, 0)
        self.assertEqual(self.kept(), first)
        other = self.write_csv(self.rows(peak_kw=5.0))
        run = self.run_tool("import", config, other)
        self.assertEqual(run.returncode, 1)
        self.assertRegex(run.stderr, r"40 half hours are known already with other values, the first at .*T0[34]:00:00.*nothing was written")
        self.assertEqual(self.kept(), first)
        self.assertEqual(self.run_tool("import", "--replace", config, other).returncode, 0)
        self.assertEqual(max(row[1] for row in self.kept()), 5.0)

    def test_other_channels_of_a_half_hour_stay(self):
        config = self.config()
        self.assertEqual(self.run_tool("import", config, self.write_csv(self.rows(days=1))).returncode, 0)
        with sqlite3.connect(self.path("state/granary.db")) as database:
            database.execute("UPDATE slots SET grid_kw = 1.25, house_kw = NULL")
        self.assertEqual(self.run_tool("import", config, self.write_csv(self.rows(days=1))).returncode, 0)
        self.assertEqual({row[3] for row in self.kept()}, {1.25})
        self.assertEqual(self.kept()[6][1], 3.0)

    def test_a_dry_run_writes_nothing(self):
        run = self.run_tool("import", "--dry-run", self.config(), self.write_csv(self.rows()))
        self.assertEqual(run.returncode, 0, run.stderr)
        self.assertIn("Nothing was written", run.stdout)
        self.assertEqual(os.listdir(self.path("state")), [])

    def test_a_file_in_another_unit_is_refused(self):
        file = self.write_csv(f"{row.split(',')[0]},{float(row.split(',')[1]) * 1000:g}" for row in self.rows())
        run = self.run_tool("import", self.config(), file)
        self.assertEqual(run.returncode, 2)
        self.assertIn("--unit", run.stderr)
        self.assertEqual(os.listdir(self.path("state")), [])
        self.assertEqual(self.run_tool("import", "--unit", "Wh", self.config(), file).returncode, 0)

    def test_what_makes_no_sense_is_refused_with_its_place(self):
        config, good = self.config(), self.write_csv(self.rows(days=1))
        bad = self.write_csv([*self.rows(days=1), "yesterday,1"], name="bad.csv")
        for arguments, words in (([config, bad], f"{bad}: line 50, field start_utc: found 'yesterday'"),
                                 ([config, self.path("none.csv")], "none.csv"),
                                 ([self.path("none.conf"), good], "none.conf"),
                                 ([config], "Usage"),
                                 (["--load", "kitchen", config, good], "expected one named 'kitchen'"),
                                 (["--unit", "MWh", config, good], "one of kWh, Wh, kW, W"),
                                 (["--separator", ";;", config, good], "one character"),
                                 (["--sideways", config, good], "not understood"),
                                 ([config, good, "more"], "not understood")):
            with self.subTest(arguments=arguments):
                run = self.run_tool("import", *arguments)
                self.assertEqual(run.returncode, 2, run.stderr)
                self.assertIn(words, run.stderr)

    def test_a_store_that_cannot_be_written_is_told(self):
        os.mkdir(self.path("state/granary.db"))
        run = self.run_tool("import", self.config(), self.write_csv(self.rows(days=1)))
        self.assertEqual(run.returncode, 1)
        self.assertIn("granary.db", run.stderr)

    def test_a_daemon_that_runs_is_not_in_the_way_and_takes_the_house_over_when_told_to_read_again(self):
        config = self.config(safety="trust_clock = true;")
        daemon = self.run_daemon(config, simulated=False)
        self.publish_house()
        self.watcher.wait("homie/5/granary/plan/slots", lambda text: text != "[]")
        run = self.run_tool("import", config, self.write_csv(self.rows(peak_hour=3, peak_kw=3.0)))
        self.assertEqual((run.returncode, run.stderr), (0, ""))
        self.assertIn("Kept 960 half hours", run.stdout)
        mark = self.watcher.mark()
        daemon.signal(signal.SIGHUP)
        daemon.wait_line("was read again and is in force")
        self.publish_house()
        def knows(text):
            return any(slot["house_kw"] > 2 for slot in json.loads(text) if slot["start"][11:13] == "03")
        self.watcher.wait("homie/5/granary/plan/slots", knows, mark)
        self.stop(daemon)

    def test_a_store_that_another_program_writes_is_told(self):
        config = self.config()
        self.assertEqual(self.run_tool("import", config, self.write_csv(self.rows(days=1))).returncode, 0)
        before = self.kept()
        writer = sqlite3.connect(self.path("state/granary.db"), isolation_level=None)
        self.addCleanup(writer.close)
        writer.execute("BEGIN IMMEDIATE")
        run = self.run_tool("import", config, self.write_csv(self.rows(days=3)))
        self.assertEqual(run.returncode, 1)
        self.assertIn("Another program may hold the file", run.stderr)
        writer.execute("ROLLBACK")
        self.assertEqual(self.kept(), before)


if __name__ == "__main__":
    unittest.main()
