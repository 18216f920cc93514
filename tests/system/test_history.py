"""What the daemon keeps, and what it does where the disk refuses."""
import contextlib
import os
import sqlite3
import subprocess
import unittest

from harness import SystemTest, utc


class History(SystemTest):
    def store(self):
        return self.path("state/granary.db")

    def ask(self, sql):
        with sqlite3.connect(self.store()) as database:
            return database.execute(sql).fetchall()

    def test_five_minutes_are_kept_with_their_samples(self):
        daemon = self.run_daemon(self.config())
        self.begin("2041-01-15 02:00")
        self.house["house/meter"] = '{"power": 600}'
        self.live(3600, by=20)
        self.stop(daemon)
        rows = self.ask("SELECT start_s, house_kw, grid_kw, state_of_charge_percent, grid_samples, house_samples, car_samples FROM fine"
                        " ORDER BY start_s")
        self.assertGreaterEqual(len(rows), 11)
        self.assertEqual([row[0] for row in rows], list(range(utc("2041-01-15 02:00"), rows[-1][0] + 1, 300)))
        for row in rows[1:]:
            self.assertAlmostEqual(row[1], 0.6)
            self.assertAlmostEqual(row[2], 0.6)
            self.assertEqual(row[3], 30)
            self.assertIn(row[4], (14, 15, 16))
            self.assertEqual((row[5], row[6]), (row[4], 0))
        self.assertEqual(len(self.ask("SELECT * FROM slots")), 2)

    def most_of_a_night(self):
        """Of a daemon started in the cheap night of 16 January: the greatest import that its plan has, in kW."""
        path = self.config()
        with open(path, encoding="utf-8") as stream:
            text = stream.read()
        with open(path, "w", encoding="utf-8") as stream:
            stream.write(text.replace("rates = {", "rates = { peak = { per_kw = 9.0; };"))
        self.house["house/meter"] = '{"power": 400}'
        daemon = self.run_daemon(path)
        self.begin("2041-01-16 00:30")
        self.live(300)
        self.stop(daemon)
        return max(slot["grid_kw"] for slot in self.plan())

    def test_a_peak_that_the_month_has_had_is_known_after_a_restart(self):
        self.assertLess(self.most_of_a_night(), 2.8)
        os.remove(self.store())
        daemon = self.run_daemon(self.config())
        self.begin("2041-01-15 18:00")
        self.house["house/meter"] = '{"power": 3600}'
        self.live(4200)
        daemon.kill()
        self.processes.remove(daemon)
        self.assertGreater(self.most_of_a_night(), 3.2)

    def test_the_temperature_outdoors_is_read_from_its_topic_and_kept(self):
        thermometer = 'outdoor_temperature = { topic = "garden/air"; pointer = "/f"; unit = "F"; max_age_s = 900; };'
        daemon = self.run_daemon(self.config(inputs=thermometer))
        self.begin("2041-01-15 02:00")
        self.house["garden/air"] = '{"f": 14}'
        self.live(3660, by=60)
        self.house["garden/air"] = '{"f": 999}'
        self.live(3600, by=60)
        daemon.wait_line(r"inputs.outdoor_temperature: refused .*found 537.222 degrees Celsius, plausible is -60 to 60")
        self.stop(daemon)
        rows = self.ask("SELECT start_s, outdoor_c FROM slots ORDER BY start_s")
        self.assertEqual([row[0] for row in rows], [utc("2041-01-15 02:00") + 1800 * i for i in range(4)])
        self.assertAlmostEqual(rows[0][1], -10)
        self.assertAlmostEqual(rows[1][1], -10)
        self.assertIsNone(rows[3][1])
        self.assertGreaterEqual(self.ask("SELECT sum(outdoor_samples) FROM fine")[0][0], 55)

    def test_what_is_older_than_configured_is_forgotten(self):
        config = self.config(outputs="keep_days = 40; keep_days_fine = 2;")
        daemon = self.run_daemon(config)
        self.begin("2041-01-15 02:00")
        self.live(1800)
        self.stop(daemon)
        self.assertGreater(self.ask("SELECT count(*) FROM fine")[0][0], 4)
        daemon = self.run_daemon(config)
        self.begin("2041-01-18 02:00")
        self.live(300)
        self.stop(daemon)
        self.assertGreaterEqual(self.ask("SELECT min(start_s) FROM fine")[0][0] or utc("2041-01-18 02:00"), utc("2041-01-16 02:00"))
        self.assertEqual(self.ask("SELECT min(start_s) FROM slots")[0][0], utc("2041-01-15 02:00"))

    def test_a_store_that_cannot_be_opened_is_tried_again_and_commands_go_on(self):
        os.rmdir(self.path("state"))
        daemon = self.run_daemon(self.config())
        daemon.wait_line("the store cannot be opened, going on without it: .*granary.db")
        self.begin()
        self.live(300)
        self.assert_command("charge")
        before = self.document()["sequence"]
        os.mkdir(self.path("state"))
        self.live(1200)
        daemon.wait_line("the store is open now: .*granary.db")
        self.assertEqual(len(daemon.matching("the store cannot be opened")), 1)
        self.assert_command("charge")
        self.assertGreater(self.document()["sequence"], before)
        self.stop(daemon)
        self.assertGreater(self.ask("SELECT count(*) FROM fine")[0][0], 0)
        self.assertGreater(self.ask("SELECT max(sequence) FROM reserved")[0][0], before)

    def test_a_store_that_refuses_writes_is_said_once_and_opened_again(self):
        daemon = self.run_daemon(self.config())
        self.begin()
        self.live(600)
        self.alter("CREATE TRIGGER no BEFORE INSERT ON fine BEGIN SELECT RAISE(FAIL, 'no room'); END")
        self.live(1800)
        daemon.wait_line("the store refused a write, commands go on without it: .*no room")
        self.assert_command("charge")
        self.alter("DROP TRIGGER no")
        self.live(1200)
        daemon.wait_line("the store takes writes again")
        self.assertEqual(len(daemon.matching("the store refused a write")), 1)
        self.assert_command("charge")
        self.stop(daemon)

    def alter(self, sql):
        """Changes the store between two transactions of the daemon, each of which lasts up to five minutes."""
        for _ in range(100):
            self.step(10)
            try:
                with contextlib.closing(sqlite3.connect(self.store(), timeout=0, isolation_level=None)) as database:
                    database.execute(sql)
                return
            except sqlite3.OperationalError as error:
                self.assertIn("locked", str(error))
        self.fail("the daemon never ended its transaction")

    def mount_small(self):
        """A file system of half a megabyte in place of the state folder; without the right to it the test is skipped."""
        done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=512k,mode=777", "none", self.path("state")], capture_output=True,
                              text=True, check=False)
        if done.returncode != 0:
            self.skipTest(f"no right to mount a file system: {done.stderr.strip()}")
        self.addCleanup(subprocess.run, ["umount", "-l", self.path("state")], check=False)

    def remount(self, how):
        done = subprocess.run(["mount", "-o", f"remount,{how}", self.path("state")], capture_output=True, text=True, check=False)
        if done.returncode != 0:
            self.skipTest(f"no right to remount a file system: {done.stderr.strip()}")

    def eat_room(self):
        with contextlib.suppress(OSError), open(self.path("state/filler"), "wb", buffering=0) as filler:
            while filler.write(bytes(512)) == 512:
                pass

    def test_a_full_disk_costs_nothing_but_is_said_once_and_what_waited_is_written_when_there_is_room(self):
        self.mount_small()
        daemon = self.run_daemon(self.config())
        self.begin("2041-01-15 02:00")
        self.live(600)
        self.eat_room()
        self.live(1800)
        daemon.wait_line("the store refused a write, commands go on without it: .*full")
        self.assert_command("charge")
        os.remove(self.path("state/filler"))
        self.live(1500)
        daemon.wait_line("the store takes writes again")
        self.assertEqual(len(daemon.matching("the store refused a write")), 1)
        self.assert_command("charge")
        self.stop(daemon)
        starts = [start for start, in self.ask("SELECT start_s FROM fine ORDER BY start_s")]
        self.assertEqual(starts, list(range(starts[0], starts[-1] + 1, 300)))
        self.assertGreater(len(starts), 10)

    def test_a_disk_that_has_become_read_only_keeps_nobody_from_commanding(self):
        self.mount_small()
        config = self.config()
        self.stop(self.run_daemon(config))
        self.remount("ro")
        daemon = self.run_daemon(config)
        daemon.wait_line("the store cannot be opened, going on without it: .*Read-only")
        self.begin()
        self.live(300)
        self.assert_command("charge")
        self.remount("rw")
        self.live(1200)
        daemon.wait_line("the store is open now: .*granary.db")
        self.assert_command("charge")

    def test_a_smashed_file_is_set_aside_at_the_start_and_commands_go_on(self):
        with open(self.store(), "wb") as file:
            file.write(b"\x5a" * 40960)
        daemon = self.run_daemon(self.config())
        daemon.wait_line("was damaged .*kept as .*granary.db.bad-")
        self.begin()
        self.live(600)
        self.assert_command("charge")
        self.stop(daemon)
        self.assertGreater(self.ask("SELECT count(*) FROM fine")[0][0], 0)


if __name__ == "__main__":
    unittest.main()
