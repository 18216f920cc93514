"""The device keeps to the Homie 5 convention, and docs/topics.md describes every property of it."""
import json
import os
import re
import subprocess
import unittest

from harness import DAEMON, ROOT, SOURCE, SystemTest, moment

DATATYPES = {"integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json"}


def properties_of(description):
    return {f"{node}/{name}": members for node, rest in description["nodes"].items()
            for name, members in rest["properties"].items()}


def fits(members, text):
    """Whether a value is what datatype and format promise (Homie 5.0, "Payload" and "Property attributes")."""
    kind, form = members["datatype"], members.get("format", "")
    if kind in ("integer", "float"):
        if not re.fullmatch(r"-?\d+" if kind == "integer" else r"-?\d+(\.\d+)?([eE][+-]?\d+)?", text):
            return False
        least, _, greatest = form.partition(":")
        return (not least or float(text) >= float(least)) and (not greatest or float(text) <= float(greatest))
    if kind == "enum":
        return text in form.split(",")
    if kind == "datetime":
        return bool(re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)", text)) and moment(text) > 0
    if kind == "json":
        return isinstance(json.loads(text), (dict, list))
    if kind == "boolean":
        return text in ("true", "false")
    return kind == "string"


class Homie(SystemTest):
    def announce(self, commanding=True):
        self.daemon = self.run_daemon(self.config(commanding=commanding))
        self.watcher.wait(f"{ROOT}/$description")
        self.begin()
        return json.loads(self.value("$description"))

    def test_the_description_names_every_node_and_property(self):
        description = self.announce()
        self.assertEqual((description["homie"], description["name"]), ("5.0", "Test house"))
        self.assertIsInstance(description["version"], int)
        self.assertEqual(set(description["nodes"]), {"command", "health", "plan", "override"})
        for path, members in properties_of(description).items():
            with self.subTest(property=path):
                self.assertRegex(path, r"^[a-z0-9-]+/[a-z0-9-]+$")
                self.assertIn(members["datatype"], DATATYPES)
                self.assertEqual(members.get("settable", False),
                                 path.startswith("override/") and path not in ("override/answer", "override/active"))
                self.assertEqual(members["datatype"] == "enum", "," in members.get("format", ""))

    def test_every_property_has_a_value_that_its_datatype_and_format_allow(self):
        for commanding in (True, False):
            description = self.announce(commanding)
            self.live(600)
            for path, members in properties_of(description).items():
                with self.subTest(property=path):
                    text = self.value(path)
                    self.assertIsNotNone(text)
                    self.assertTrue(fits(members, text), f"{members}: {text[:200]!r}")
            self.stop(self.daemon)

    def test_all_that_is_published_belongs_to_the_description_and_is_retained(self):
        description = self.announce()
        self.live(600)
        known = {f"{ROOT}/{path}" for path in [*properties_of(description), "$state", "$description"]}
        for message in self.watcher.since(0, r"homie/.*"):
            self.assertIn(message.topic, known)
            self.assertTrue(message.retained, message)
            self.assertNotEqual(message.payload, b"")
        late = self.watch()
        for topic in known:
            late.wait(topic)

    def test_every_settable_property_takes_its_own_value_back_and_refuses_what_is_none(self):
        """Homie 5.0, "Property command topic": set to what it is, nothing changes; a value that datatype or format forbid is not taken."""
        description = self.announce()
        settable = {path: members for path, members in properties_of(description).items() if members.get("settable")}
        wrong = {"integer": "1.5x", "float": "NaN", "boolean": "TRUE!", "enum": "No such word", "json": "no json"}
        self.assertGreater(len(settable), 5)
        for path, members in settable.items():
            with self.subTest(property=path):
                before, mark = self.value(path), self.watcher.mark()
                if members["datatype"] != "json":
                    self.watcher.publish(f"{ROOT}/{path}/set", before)
                    self.step()
                    answer = json.loads(self.watcher.wait(f"{ROOT}/override/answer", mark=mark).payload)
                    self.assertTrue(answer["accepted"], answer)
                mark = self.watcher.mark()
                self.watcher.publish(f"{ROOT}/{path}/set", wrong[members["datatype"]])
                self.step()
                answer = json.loads(self.watcher.wait(f"{ROOT}/override/answer", mark=mark).payload)
                self.assertFalse(answer["accepted"], answer)
                self.assertEqual(self.value(path), before)

    def test_the_state_goes_from_init_over_the_description_and_values_to_ready(self):
        self.announce()
        topics = [(m.topic[len(ROOT) + 1:], m.payload) for m in self.watcher.since(0, r"homie/.*")]
        names = [name for name, _ in topics]
        self.assertEqual(topics[0], ("$state", b"init"))
        self.assertEqual(names[1], "$description")
        ready = topics.index(("$state", b"ready"))
        first_turn = set(names[2:ready])
        self.assertLessEqual({"command/document", "command/band", "health/fault", "health/mode", "health/heartbeat"}, first_turn)
        self.assertEqual(names.count("$state"), 2)

    def test_a_value_that_stays_is_not_published_again(self):
        self.announce()
        mark = self.live(120, by=10)
        for name in ("health/mode", "health/fault", "health/refused", "plan/slots"):
            self.assertLessEqual(len(self.watcher.since(mark, f"{ROOT}/{name}")), 1, name)

    def test_the_heartbeat_rises_with_every_turn(self):
        self.announce()
        mark = self.live(120, by=10)
        beats = [int(m.payload) for m in self.watcher.since(mark, f"{ROOT}/health/heartbeat")]
        self.assertEqual(len(beats), 12)
        self.assertEqual(beats, sorted(set(beats)))

    def test_health_tells_how_far_the_prices_reach_and_how_often_the_command_changed(self):
        self.announce()
        self.assertEqual(self.value("health/mode"), "commanding")
        self.assertGreater(moment(self.value("health/rates-until")), self.now + 86400)
        self.assertEqual(self.value("health/changes"), "0")
        self.house["house/soc"] = None
        self.live(360)
        self.assertEqual((self.value("health/changes"), self.value("health/mode")), ("1", "fallback"))
        self.assertEqual(self.value("health/refused"), "0")


class Documentation(SystemTest):
    """A row of docs/topics.md: | `command/power` | integer | W | meaning | example |, a dash where there is no unit; settable ones say so."""

    def rows(self):
        with open(os.path.join(SOURCE, "docs", "topics.md"), encoding="utf-8") as file:
            found = re.findall(r"^\| `([a-z-]+/[a-z-]+)` \| ([\w, ]+) \| (\S+) \| (.+?) \| (.+?) \|$", file.read(), re.MULTILINE)
        return {path: row for path, *row in found}

    def test_every_property_of_the_running_daemon_is_documented_as_it_is(self):
        self.run_daemon(self.config())
        self.watcher.wait(f"{ROOT}/$description")
        described = properties_of(json.loads(self.value("$description")))
        rows = self.rows()
        self.assertEqual(sorted(rows), sorted(described))
        for path, members in described.items():
            with self.subTest(property=path):
                datatype, unit, _, example = rows[path]
                settable = ", settable" if members.get("settable") else ""
                self.assertEqual((datatype, unit), (members["datatype"] + settable, members.get("unit", "-")))
                if members["datatype"] != "json":
                    self.assertTrue(fits(members, example.strip("`")), example)

    def test_the_tables_are_those_that_the_program_prints(self):
        run = subprocess.run([DAEMON, "--topics"], capture_output=True, text=True, check=True)
        with open(os.path.join(SOURCE, "docs", "topics.md"), encoding="utf-8") as file:
            lines = file.read().splitlines()
        printed = [line for line in run.stdout.splitlines() if line.startswith("| `")]
        self.assertGreater(len(printed), 20)
        self.assertEqual([line for line in lines if re.match(r"\| `[a-z]+/", line)], printed)


if __name__ == "__main__":
    unittest.main()
