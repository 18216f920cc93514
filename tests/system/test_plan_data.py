"""The plan as data: its JSON Schema, its plain figures, and the cheapest start of appliances."""
import json
import os
import re
import unittest

import jsonschema

from harness import SOURCE, SystemTest, moment

APPLIANCES = """
appliances = (
    { name = "dishwasher"; power_kw = 1.2; run_hours = 2.0; },
    { name = "dryer"; power_kw = 2.5; run_hours = 1.5; ready_by = "21:30"; }
);
"""

TOLD = r"a stored kWh is worth -?\d+\.\d{4} at \d\d:\d\d, -?\d+\.\d{4} after losses.*; (importing now costs|exporting now pays|at the meter a kWh now counts) -?\d"


class PlanData(SystemTest):
    def write(self, extra="", **options):
        file = self.config(**options)
        with open(file, "a", encoding="utf-8") as stream:
            stream.write(extra)
        return file

    def schema(self, name="plan"):
        with open(os.path.join(SOURCE, "docs", f"{name}.schema.json"), encoding="utf-8") as file:
            schema = json.load(file)
        jsonschema.Draft202012Validator.check_schema(schema)
        return jsonschema.Draft202012Validator(schema)

    def test_the_published_plan_and_that_of_the_tool_keep_to_the_schema(self):
        file = self.write()
        self.run_daemon(file)
        self.begin("2041-01-15 18:00")
        validator = self.schema()
        plan = self.plan()
        self.assertGreater(len(plan), 90)
        validator.validate(plan)
        run = self.run_tool("plan", "--json", "--state-of-charge", "40", "--at", "2041-01-15T18:00:00Z", file)
        validator.validate(json.loads(run.stdout)["slots"])
        self.assertRegex(self.document()["reason"], TOLD)
        for slot in plan:
            self.assertIn(f": {slot['command']}", slot["reason"])
        self.assertGreater(sum(bool(re.match(TOLD, slot["reason"])) for slot in plan), 80)
        for spoil in (lambda s: s.pop("cost"), lambda s: s.pop("reason"), lambda s: s.update(next_best="fill"),
                      lambda s: s.pop("next_best"), lambda s: s.update(command="fill"), lambda s: s.update(start="18:00"),
                      lambda s: s.update(solar_kw=-1), lambda s: s.update(more=1)):
            slot = dict(plan[0])
            spoil(slot)
            with self.assertRaises(jsonschema.ValidationError):
                validator.validate([slot])

    def test_plain_figures_agree_with_the_slots(self):
        self.run_daemon(self.write())
        self.begin("2041-01-15 18:00")
        plan, now, midnight = self.plan(), self.document()["command"], self.now + 6 * 3600
        change = next(slot for slot in plan[1:] if slot["command"] != now)
        self.assertEqual((self.value("plan/next-command"), self.value("plan/next-at")), (change["command"], change["start"]))
        today = sum(slot["cost"] for slot in plan if moment(slot["start"]) < midnight)
        tomorrow = sum(slot["cost"] for slot in plan if midnight <= moment(slot["start"]) < midnight + 86400)
        self.assertAlmostEqual(float(self.value("plan/cost-today")), today, delta=0.02)
        self.assertAlmostEqual(float(self.value("plan/cost-tomorrow")), tomorrow, delta=0.02)
        self.assertAlmostEqual(float(self.value("plan/backup-hours")), 3.0 * 0.9 ** 0.5 / 0.4, delta=0.1)  # 3 kWh stored, 0.4 kW drawn

    def test_the_cost_of_today_is_that_of_the_whole_day_over_a_restart(self):
        daemon = self.run_daemon(self.write())
        self.house["house/meter"] = '{"power": 2000}'
        self.begin("2041-01-15 00:00")
        self.live(2 * 3600, by=60)
        self.assertEqual(self.value("plan/cost-today-from"), "2041-01-15T00:00:00Z")
        whole, rest = float(self.value("plan/cost-today")), sum(s["cost"] for s in self.plan() if s["start"] < "2041-01-16")
        self.assertAlmostEqual(whole - rest, 2 * 2 * 0.10, delta=0.02)  # two hours of 2 kW in the cheap band
        self.stop(daemon)
        self.run_daemon(self.write())
        self.step(300)
        rest = sum(s["cost"] for s in self.plan() if s["start"] < "2041-01-16")
        self.assertAlmostEqual(float(self.value("plan/cost-today")) - rest, (2 + 5 / 60) * 2 * 0.10, delta=0.02)
        self.live(600)
        self.assertEqual(self.value("plan/cost-today-from"), "2041-01-15T00:00:00Z")

    def test_each_appliance_has_its_best_start(self):
        self.run_daemon(self.write(APPLIANCES))
        self.begin("2041-01-15 18:00")
        description = json.loads(self.value("$description"))
        self.assertEqual(set(description["nodes"]["appliance"]["properties"]), {"dishwasher", "dryer"})
        dishwasher = json.loads(self.value("appliance/dishwasher"))
        self.assertGreaterEqual(moment(dishwasher["start"]), self.now + 6 * 3600)  # the cheap band begins at midnight
        self.assertEqual(moment(dishwasher["end"]) - moment(dishwasher["start"]), 7200)
        self.assertLess(dishwasher["cost"], dishwasher["cost_now"])
        dryer = json.loads(self.value("appliance/dryer"))
        self.assertLessEqual(moment(dryer["end"]), self.now + 3.5 * 3600)
        late = self.watch()
        late.wait("homie/5/granary/appliance/dryer")

    def test_plan_with_a_run_says_when_and_what_it_costs(self):
        file = self.write()
        call = ("plan", "--with", "1.2kW,2h", "--state-of-charge", "20", "--at", "2041-01-15T18:00:00Z")
        run = self.run_tool(*call, file)
        self.assertEqual(run.returncode, 0, run.stderr)
        self.assertRegex(run.stdout, r"A run of 1\.20 kW for 2 h had best begin on 2041-01-16 at 0[0-4]:\d\d: it then costs 0\.\d\d EUR, begun now \d\.\d\d")
        told = json.loads(self.run_tool(*call, "--json", file).stdout)["run"]
        self.assertLess(told["cost"], told["cost_now"])
        for wrong in ("1.2,2", "0kW,2h", "1kW,30h", "1kW,2hours"):
            run = self.run_tool("plan", "--with", wrong, file)
            self.assertEqual((run.returncode, run.stdout), (2, ""))
            self.assertIn("--with", run.stderr)

    def test_plan_explains_one_slot_and_says_what_else_would_cost_more(self):
        file = self.write()
        call = ("plan", "--explain", "18:30", "--state-of-charge", "60", "--at", "2041-01-15T18:00:00Z")
        told = json.loads(self.run_tool(*call, "--json", file).stdout)
        self.schema("explain").validate(told)
        self.assertEqual((told["start"], told["command"]), ("2041-01-15T18:30:00Z", told["alternatives"][0]["command"]))
        table = self.run_tool(*call, file)
        self.assertEqual((table.returncode, table.stderr), (0, ""))
        lines = table.stdout.splitlines()
        self.assertRegex(lines[0], r"^2041-01-15 18:30 to 19:00 \(\w+\): \d+\.\d % stored at first, ")
        self.assertEqual(" ".join(lines[1:3]).split()[:10], told["reason"].split()[:10])
        first = next(i for i, line in enumerate(lines) if line.startswith("command")) + 2
        self.assertRegex(lines[first], rf"^{told['command']} .* chosen$")
        for line, other in zip(lines[first + 1:first + 6], told["alternatives"][1:]):
            self.assertTrue(line.startswith(other["command"]), line)
            if "hindrance" not in other:
                self.assertAlmostEqual(float(line.split()[-1]), other["more"], delta=6e-5)
        for wrong, words in (("noon", "a time like 18:00"), ("2041-01-20T18:00", "outside of the plan, which reaches from 2041-01-15T18:00:00")):
            run = self.run_tool("plan", "--explain", wrong, *call[3:], file)
            self.assertEqual((run.returncode, run.stdout), (2, ""))
            self.assertIn(words, run.stderr)

    def test_mistakes_in_appliances_are_named(self):
        for wrong, words in ((APPLIANCES.replace("dryer", "dishwasher"), "a second time"), (APPLIANCES.replace('"dryer"', '"Dryer!"'), "a to z"),
                             (APPLIANCES.replace("2.5", "2500"), r"power_kw: .*2500"), (APPLIANCES.replace("21:30", "24:30"), "ready_by")):
            run = self.run_tool("check", self.write(wrong))
            self.assertEqual(run.returncode, 2)
            self.assertRegex(run.stderr, words)


if __name__ == "__main__":
    unittest.main()
