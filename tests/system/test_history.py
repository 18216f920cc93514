"""What the daemon keeps, and what it does where the disk refuses."""
import contextlib
import os
import sqlite3
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
