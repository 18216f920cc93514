"""People ask for something else than the plan: by plain topics, by the JSON topic, by granary override; and it survives a restart."""
import json
import os
import threading
import time
import unittest

from harness import ROOT, SystemTest, moment

ASK = f"{ROOT}/override/request/set"
EVENING = "2041-01-15 18:00"  # the dear band: the battery carries the house


class Override(SystemTest):
    def begin_evening(self, **options):
        self.daemon = self.run_daemon(self.config(**options))
        self.begin(EVENING)
        self.assertEqual(self.document()["command"], "follow")

    def ask(self, request, topic=ASK):
        """Sends it, lets a minute pass, and returns the answer."""
        mark = self.watcher.mark()
        self.watcher.publish(topic, json.dumps(request) if isinstance(request, dict) else request)
        self.step(60)
        return json.loads(self.watcher.wait(f"{ROOT}/override/answer", mark=mark).payload)

    def tap(self, name, payload):
        return self.ask(payload, f"{ROOT}/override/{name}/set")

    def active(self):
        return {one["override"]: one for one in json.loads(self.value("override/active"))}

    def test_a_json_request_is_accepted_carried_out_and_ends(self):
        self.begin_evening()
        answer = self.ask({"override": "command", "command": "charge", "power_w": 2000, "for": "PT30M", "by": "Ana", "id": 7})
        self.assertEqual((answer["accepted"], answer["id"]), (True, 7))
        self.assertIn("as Ana asked", answer["text"])
        self.assertEqual((self.document()["command"], self.document()["power_w"]), ("charge", 2000))
        self.assertIn("as Ana asked", self.document()["reason"])
        one = self.active()["command"]
        self.assertEqual((one["by"], one["command"], one["power_w"]), ("Ana", "charge", 2000))
        self.assertEqual(moment(one["until"]) - moment(one["since"]), 1800)
        self.assertGreater(one["cost"], 0)
        self.assertIsInstance(one["import_kwh"], float)
        self.assertEqual(self.value("override/command"), "charge")
        self.live(2400)
        self.assertEqual((self.value("override/active"), self.value("override/command")), ("[]", "none"))
        self.assertEqual(self.document()["command"], "follow")

    def test_plain_topics_are_one_tap_each(self):
        self.begin_evening()
        self.assertTrue(self.tap("hours", "0.5")["accepted"])
        self.assertTrue(self.tap("power", "1500")["accepted"])
        self.assertTrue(self.tap("target", "90")["accepted"])
        self.assertTrue(self.tap("command", "charge")["accepted"])
        self.assertEqual((self.document()["command"], self.document()["power_w"], self.document()["target_percent"]),
                         ("charge", 1500, 90))
        one = self.active()["command"]
        self.assertEqual((moment(one["until"]) - moment(one["since"]), one["until_percent"]), (1800, 90))
        self.assertTrue(self.tap("command", "none")["accepted"])
        self.assertEqual(self.active(), {})
        for name, on, off in (("reserve", "60", "0"), ("load-factor", "1.5", "1"), ("no-export", "true", "false"),
                              ("pause", "true", "false")):
            with self.subTest(name=name):
                self.assertTrue(self.tap(name, on)["accepted"])
                self.assertEqual((self.value(f"override/{name}"), len(self.active())), (on, 1))
                self.assertTrue(self.tap(name, off)["accepted"])
                self.assertEqual((self.value(f"override/{name}"), self.active()), (off, {}))

    def test_a_car_gets_its_time_and_an_event_its_price(self):
        self.begin_evening()
        self.assertEqual(self.value("plan/car-charge"), "{}")
        answer = self.ask({"override": "car", "energy_kwh": 14, "power_w": 7000, "until": "2041-01-16T07:00:00Z", "by": "the car"})
        self.assertTrue(answer["accepted"], answer)
        charge = json.loads(self.value("plan/car-charge"))
        self.assertGreaterEqual(moment(charge["start"]), self.now + 5.9 * 3600)  # from midnight on it is cheap
        self.assertEqual((moment(charge["end"]) - moment(charge["start"]), charge["power_kw"]), (7200, 7))
        self.assertTrue(self.ask({"override": "payment", "per_kwh": 2, "from": "20:00", "until": "21:00"})["accepted"])
        inside = [slot for slot in self.plan() if "T20:" in slot["start"] and slot["start"].startswith("2041-01-15")]
        self.assertEqual([round(slot["export_price"], 6) for slot in inside], [2.05, 2.05])
        self.assertEqual(set(self.active()), {"car", "payment"})

    def test_a_pause_is_follow_where_the_plan_would_charge(self):
        self.run_daemon(self.config())
        self.begin()
        self.assert_command("charge")
        self.assertTrue(self.tap("pause", "true")["accepted"])
        self.assert_command("follow")
        self.assertIn("pause", self.value("command/reason"))
        self.assertTrue(self.ask({"cancel": "all"})["accepted"])
        self.live(900)
        self.assert_command("charge")

    def test_wrong_ones_are_refused_with_the_reason_and_change_nothing(self):
        self.begin_evening()
        rows = [(ASK, "charge!", "no JSON"), (ASK, {"override": "pause"}, "every override has an end"),
                (ASK, {"override": "command", "command": "charge", "power_w": 30000, "for": "PT1H"}, "3000"),
                (ASK, {"override": "reserve", "percent": 5, "for": "PT1H"}, "only be raised"), (ASK, {"cancel": "party"}, "allowed: all"),
                (ASK, {"cancel": "pause"}, "no such override")]
        rows += [(f"{ROOT}/override/{name}/set", payload, words) for name, payload, words in (
            ("command", "full", "allowed: none, follow"), ("reserve", "much", "found"), ("reserve", "140", "0 to 100"),
            ("pause", "maybe", "true or false"), ("hours", "0", "0.1 to 744"), ("load-factor", "9", "0.1 to 5"),
            ("active", "[]", "cannot be set"), ("nonsense", "1", "cannot be set"))]
        for topic, payload, words in rows:
            with self.subTest(topic=topic, payload=payload):
                answer = self.ask(payload, topic)
                self.assertFalse(answer["accepted"])
                self.assertIn(words, answer["reason"])
                self.assertEqual(self.value("override/active"), "[]")
        self.assertEqual(self.document()["command"], "follow")
        self.assertEqual(len(self.daemon.matching("override refused")), len(rows))

    def test_a_retained_request_is_refused(self):
        self.watcher.publish(f"{ROOT}/override/pause/set", "true", retained=True)
        self.begin_evening()
        answer = json.loads(self.value("override/answer"))
        self.assertFalse(answer["accepted"])
        self.assertIn("retain", answer["reason"])
        self.assertEqual(self.value("override/active"), "[]")

    def test_what_is_in_force_survives_a_restart_and_what_has_ended_does_not(self):
        self.begin_evening()
        self.ask({"override": "reserve", "percent": 55, "for": "PT5H", "by": "storm"})
        self.ask({"override": "pause", "for": "PT10M"})
        self.tap("hours", "3")
        before = self.active()["reserve"]
        self.daemon.kill()
        self.now += 1800
        self.daemon = self.run_daemon(self.config())
        self.step()
        self.assertEqual(list(self.active()), ["reserve"])
        after = self.active()["reserve"]
        self.assertEqual([after[k] for k in ("percent", "since", "until", "by")], [before[k] for k in ("percent", "since", "until", "by")])
        self.assertEqual(self.value("override/hours"), "3")
        self.assertEqual(len(self.daemon.matching("override of before the restart")), 2)

    def test_the_guard_stands_above_it(self):
        self.begin_evening()
        self.ask({"override": "command", "command": "charge", "for": "PT2H"})
        self.assert_command("charge")
        self.house["house/soc"] = None
        self.live(420)
        self.assert_command("follow", "state-of-charge")
        self.assertEqual(len(self.active()), 1)

    def test_an_observer_only_advises_what_is_asked_for(self):
        self.daemon = self.run_daemon(self.config(commanding=False))
        self.begin(EVENING)
        self.ask({"override": "command", "command": "charge", "for": "PT2H"})
        self.assertEqual(self.value("advice/band"), "charge")
        self.assertIsNone(self.value("command/band"))


class Tool(SystemTest):
    """granary override against a daemon that runs by the system's clock."""

    def setUp(self):
        super().setUp()
        self.file = self.config(safety="trust_clock = true; recovery_s = 10;")
        self.daemon = self.run_daemon(self.file, simulated=False)
        end = threading.Event()

        def publish():
            while not end.wait(0.3):
                self.publish_house()
        thread = threading.Thread(target=publish, daemon=True)
        thread.start()
        self.addCleanup(thread.join)
        self.addCleanup(end.set)
        self.watcher.wait(f"{ROOT}/health/fault", lambda text: text == "none")

    def override(self, *arguments):
        return self.run_tool("override", self.file, *arguments)

    def test_it_asks_shows_the_cost_and_takes_back(self):
        run = self.override("command", "charge", "--power", "1.5kW", "--for", "1h30m", "--until-percent", "80", "--by", "Rui")
        self.assertEqual(run.returncode, 0, run.stderr)
        self.assertIn("charge with 1.50 kW until 80 % or ", run.stdout)
        self.assertIn("as Rui asked", run.stdout)
        self.assertRegex(run.stdout, r"costs -?\d+\.\d\d EUR more than the plan without it, and -?\d+\.\d kWh more")
        one = json.loads(self.value("override/active"))[0]
        self.assertAlmostEqual(moment(one["until"]) - time.time(), 5400, delta=120)
        self.assertIn("Rui", self.override().stdout)
        self.assertEqual(self.override("reserve", "60", "--until", "23:59").returncode, 0)
        self.assertEqual(self.override("load", "0.5", "--for", "2d").returncode, 0)
        self.assertEqual(len(json.loads(self.value("override/active"))), 3)
        self.assertEqual(self.override("cancel").returncode, 0)
        self.assertIn("the plan runs", self.override().stdout)

    def test_it_passes_a_refusal_on(self):
        run = self.override("reserve", "3", "--for", "1h")
        self.assertEqual(run.returncode, 1)
        self.assertIn("only be raised", run.stderr)
        run = self.override("pause")
        self.assertIn("every override has an end", run.stderr)

    def test_wrong_calls_are_refused_without_asking(self):
        for arguments, words in ((["party"], "party"), (["command", "--for", "1h"], "follow, store"), (["reserve", "x", "--for", "1h"], "a number"),
                                 (["pause", "--for", "soon"], "--for"), (["command", "charge", "--power", "2", "--for", "1h"], "--power"),
                                 (["pause", "1", "2"], '"2"'), (["reserve", "50", "--for", "1h", "--power", "1kW"], "belong to command")):
            with self.subTest(arguments=arguments):
                run = self.override(*arguments)
                self.assertEqual((run.returncode, run.stdout), (2, ""))
                self.assertIn(words, run.stderr)
        self.assertEqual(self.watcher.since(0, f"{ROOT}/override/.*/set"), [])

    def test_it_says_that_no_daemon_runs(self):
        self.stop(self.daemon)
        self.assertIn("not running", self.override().stderr)


if __name__ == "__main__":
    unittest.main()
