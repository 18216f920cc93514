"""granary check, plan and solve against a broker and a rate server that run."""
import datetime
import json
import threading
import time
import unittest

from harness import Answer, DAEMON, Process, SystemTest, http_source, table

PROBLEM = {
    "hours": [1, 1], "load_kw": [1, 1], "solar_kw": [0, 0], "import_price": [0.1, 0.5], "export_price": [0, 0],
    "battery": {"capacity_kwh": 2, "charge_kw": 2, "discharge_kw": 2, "charge_efficiency": 1, "discharge_efficiency": 1,
                "standing_loss_kw": 0, "wear_per_kwh": 0, "start_kwh": 0, "floor_kwh": [0, 0]},
    "grid": {"import_limit_kw": 10, "export_limit_kw": 10, "curtailable": True},
    "end_value_per_kwh": 0,
}


class Tool(SystemTest):
    def serve_today(self):
        """Prices of yesterday, today and tomorrow under one address, by the system's clock."""
        server = self.serve_rates()
        yesterday = datetime.datetime.now(datetime.timezone.utc).date() - datetime.timedelta(days=1)
        server.answer("/rates.json", Answer(body=table(yesterday.isoformat(), [0.10, 0.30] * 36)))
        return server

    def keep_publishing(self):
        """The house's readings, as long as the test lasts, like meters do."""
        end = threading.Event()

        def publish():
            while not end.wait(0.3):
                self.publish_house()
        thread = threading.Thread(target=publish, daemon=True)
        thread.start()
        self.addCleanup(thread.join)
        self.addCleanup(end.set)

    def write(self, name, content):
        with open(self.path(name), "w", encoding="utf-8") as file:
            file.write(content if isinstance(content, str) else json.dumps(content))
        return self.path(name)

    # ---- check

    def test_check_says_what_a_good_file_means(self):
        run = self.run_tool("check", self.config())
        self.assertEqual((run.returncode, run.stderr), (0, ""))
        for words in ("Test house", "Stores 10 kWh", "house/soc"):
            self.assertIn(words, run.stdout)

    def test_check_names_every_mistake_with_line_and_key(self):
        file = self.config(safety="validity_s = 5; dwel_s = 60;", mqtt="keep_alive_s = 1;")
        run = self.run_tool("check", file)
        self.assertEqual(run.returncode, 2)
        for key in ("safety.validity_s", "safety.dwel_s", "mqtt.keep_alive_s"):
            self.assertRegex(run.stderr, rf"granary\.conf:\d+: {key}: ")

    def test_check_refuses_a_file_that_is_not_there_and_arguments_that_mean_nothing(self):
        for arguments in (["check", self.path("none.conf")], ["check"], ["check", "--lvie", self.config()], ["chekc"], []):
            with self.subTest(arguments=arguments):
                run = self.run_tool(*arguments)
                self.assertEqual(run.returncode, 2)
                self.assertTrue(run.stderr)

    def test_check_live_finds_nothing_wrong_where_all_is_there(self):
        server = self.serve_today()
        self.keep_publishing()
        run = self.run_tool("check", "--live", "--seconds", "20", self.config(http_source(server.port, path="/rates.json")))
        self.assertEqual(run.returncode, 0, run.stdout + run.stderr)
        self.assertIn("reached", run.stdout)
        self.assertIn("Nothing is wrong", run.stdout)

    def test_check_live_tells_what_is_missing(self):
        server = self.serve_rates()
        self.house["house/soc"] = "banana"
        self.house["house/battery"] = None
        self.keep_publishing()
        run = self.run_tool("check", "--live", "--seconds", "3", self.config(http_source(server.port, path="/rates.json")))
        self.assertEqual(run.returncode, 1, run.stdout + run.stderr)
        for words in ("banana", "house/battery", "404"):
            self.assertIn(words, run.stdout)

    def test_check_live_says_that_the_broker_is_not_there_and_ends(self):
        file = self.config()
        self.broker.kill()
        run = self.run_tool("check", "--live", "--seconds", "3", file)
        self.assertEqual(run.returncode, 1)
        self.assertIn("not reached", run.stdout)

    def test_looking_disturbs_no_daemon_and_publishes_nothing(self):
        daemon = self.run_daemon(self.config())
        self.begin()
        self.keep_publishing()
        mark = self.watcher.mark()
        self.run_tool("check", "--live", "--seconds", "3", self.path("granary.conf"))
        self.run_tool("plan", self.path("granary.conf"))
        self.assertEqual(self.watcher.since(mark, r"homie/.*"), [])
        self.assertEqual(len(daemon.matching("connected to the broker")), 1)
        self.step()
        self.assert_command("charge")

    # ---- plan

    def test_plan_prints_the_horizon_from_the_rates_and_the_state_of_charge_it_finds(self):
        server = self.serve_today()
        self.watcher.publish("house/soc", "47", retained=True)
        file = self.config(http_source(server.port, path="/rates.json"))
        run = self.run_tool("plan", "--json", file)
        self.assertEqual(run.returncode, 0, run.stderr)
        plan = json.loads(run.stdout)
        self.assertEqual((plan["site"], plan["currency"], plan["state_of_charge_percent"]), ("Test house", "EUR", 47))
        self.assertGreaterEqual(len(plan["slots"]), 90)
        self.assertLessEqual({slot["import_price"] for slot in plan["slots"] if not slot["expected_price"]}, {0.1, 0.3})
        for before, after in zip(plan["slots"], plan["slots"][1:]):
            self.assertEqual(before["end"], after["start"])
        self.assertTrue(all(0 <= slot["stored_kwh"] <= 10.001 for slot in plan["slots"]))
        text = self.run_tool("plan", file)
        self.assertEqual(text.returncode, 0, text.stderr)
        self.assertIn("47 %", text.stdout)

    def test_plan_takes_moment_and_state_of_charge_from_the_command_line(self):
        run = self.run_tool("plan", "--json", "--state-of-charge", "20", "--at", "2041-01-15T01:10:00Z", self.config())
        self.assertEqual(run.returncode, 0, run.stderr)
        plan = json.loads(run.stdout)
        self.assertEqual(plan["slots"][0]["start"][:16], "2041-01-15T01:10")
        self.assertEqual(plan["slots"][0]["command"], "charge")
        self.assertEqual(plan["state_of_charge_percent"], 20)

    def test_plan_works_without_broker_and_says_what_it_assumed(self):
        file = self.config()
        self.broker.kill()
        started = time.monotonic()
        run = self.run_tool("plan", file)
        self.assertEqual(run.returncode, 0, run.stderr)
        self.assertIn("assumed", run.stdout)
        self.assertLess(time.monotonic() - started, 30)

    def test_plan_refuses_a_bad_file_and_bad_arguments(self):
        for arguments in (["plan", self.write("bad.conf", "site = 1;")], ["plan", "--at", "yesterday", self.config()],
                          ["plan", "--state-of-charge", "140", self.config()], ["plan"]):
            with self.subTest(arguments=arguments):
                run = self.run_tool(*arguments)
                self.assertEqual((run.returncode, run.stdout), (2, ""))
                self.assertTrue(run.stderr)

    # ---- solve

    def test_solve_finds_the_optimum_of_a_small_problem(self):
        run = self.run_tool("solve", self.write("problem.json", PROBLEM))
        self.assertEqual(run.returncode, 0, run.stderr)
        plan = json.loads(run.stdout)
        self.assertAlmostEqual(plan["cost"], 0.2, places=9)  # by hand: buy both kWh in the first hour
        for found, expected in zip(plan["grid_kw"] + plan["stored_kwh"], [2, 0, 1, 0]):
            self.assertAlmostEqual(found, expected, places=6)

    def test_solve_refuses_what_is_no_problem_and_names_the_member(self):
        for content, words in (({**PROBLEM, "load_kw": [1]}, "load_kw"), ({**PROBLEM, "hours": []}, "hours"),
                               ({**PROBLEM, "grid": 3}, "grid"), ("{", "bad.json"), ("", "bad.json")):
            with self.subTest(content=content):
                run = self.run_tool("solve", self.write("bad.json", content))
                self.assertEqual((run.returncode, run.stdout), (2, ""))
                self.assertIn(words, run.stderr)
        self.assertEqual(self.run_tool("solve", self.path("none.json")).returncode, 2)

    # ---- granaryd's own command line

    def test_granaryd_refuses_to_start_with_a_bad_file_or_bad_arguments(self):
        for arguments, words in (([self.write("bad.conf", "site = 1;")], r"bad\.conf:1"), ([self.path("none.conf")], "none.conf"),
                                 (["--fast", self.config()], "--fast"), ([], "Usage"),
                                 (["--clock-topic", "sim/#", self.config(file="ok.conf")], "plain topic")):
            with self.subTest(arguments=arguments):
                daemon = Process("granaryd", [DAEMON, *arguments])
                self.assertEqual(daemon.wait_exit(), 2)
                self.assertRegex(daemon.log(), words)
        self.assertEqual(self.watcher.since(0, r"homie/.*"), [])


if __name__ == "__main__":
    unittest.main()
