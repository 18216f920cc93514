"""The device keeps to the Homie 5 convention, and docs/topics.md describes every property of it."""
import json
import os
import re
import subprocess
import unittest

import homie
from harness import DAEMON, ROOT, SOURCE, Answer, SystemTest, http_source, moment, table, needs_first_broker
from homie import DATATYPES, fits, properties_of

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

    @needs_first_broker("MQTT 5, to see the retain flag of what is published")
    def test_all_that_is_published_belongs_to_the_description_and_is_retained(self):
        description = self.announce()
        self.live(600)
        known = {f"{ROOT}/{path}" for path in [*properties_of(description), "$state", "$description"]}
        for message in self.watcher.since(0, r"homie/.*"):
            if re.fullmatch(rf"{ROOT}/\$alert/[a-z]+", message.topic):
                self.assertEqual((message.payload, message.retained), (b"", True))  # there is nothing to warn of
                continue
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
        self.assertEqual(self.value("health/changes"), "1")  # from the follow of the start
        self.house["house/soc"] = None
        self.live(360)
        self.assertEqual((self.value("health/changes"), self.value("health/mode")), ("2", "fallback"))
        self.assertEqual(self.value("health/refused"), "0")


class Alerts(SystemTest):
    def alerts(self):
        """What the broker holds."""
        held = {message.topic[len(ROOT) + 8:]: message.payload.decode() for message in self.watcher.since(0, rf"{ROOT}/\$alert/.*")}
        return {name: text for name, text in held.items() if text}

    def test_a_fault_raises_an_alert_once_and_its_end_clears_it(self):
        daemon = self.run_daemon(self.config(safety="recovery_s = 30;"))
        self.begin()
        self.assertEqual(self.alerts(), {})
        self.house["house/soc"] = None
        mark = self.live(900)
        found = self.alerts()
        self.assertEqual(list(found), ["fault"])
        self.assertRegex(found["fault"], r"^state-of-charge: .*\d")
        self.assertEqual(len(self.watcher.since(mark, rf"{ROOT}/\$alert/fault")), 1)
        self.house["house/soc"] = "31"
        self.live(300)
        self.assertEqual(self.alerts(), {})
        self.house["house/soc"] = None
        self.live(900)
        self.assertEqual(list(self.alerts()), ["fault"])
        self.stop(daemon)
        self.watcher.wait(f"{ROOT}/$state", lambda text: text == "disconnected")
        self.assertEqual(self.alerts(), {})

    def test_what_a_killed_daemon_warned_of_is_cleared_by_the_next_one(self):
        daemon = self.run_daemon(self.config())
        self.begin()
        self.house["house/soc"] = None
        self.live(900)
        daemon.kill()
        self.assertEqual(list(self.alerts()), ["fault"])
        self.house["house/soc"] = "31"
        self.run_daemon(self.config())
        self.live(300)
        self.assertEqual(self.alerts(), {})

    def test_prices_that_end_soon_a_source_that_is_down_and_a_full_disk_are_told(self):
        os.rmdir(self.path("state"))
        with open(self.path("state"), "w", encoding="utf-8"):
            pass  # a file where the folder should be
        server = self.serve_rates()
        server.answer("/day-2041-01-15.json", Answer(body=table("2041-01-15", [0.2] * 24)))
        config = self.config(rates=http_source(server.port))
        with open(config, "a", encoding="utf-8") as stream:
            stream.write(f'event_sources = ( {{ kind = "http"; name = "network"; url = "http://127.0.0.1:{server.port}/e"; format = "openadr3"; }} );\n')
        self.run_daemon(config)
        self.begin("2041-01-15 22:30")
        self.live(300)
        found = self.alerts()
        self.assertEqual(found["rates"], "published import prices end at 2041-01-16T00:00:00Z")
        self.assertRegex(found["events"], r"^network: down: .*404")
        self.assertIn("state folder", found["store"])


class Validator(unittest.TestCase):
    """The validator itself, by the convention's own rules and examples."""

    def test_values_are_told_from_what_is_none(self):
        rows = [("boolean", None, "true", "TRUE"), ("integer", None, "-12", "-"), ("integer", None, "7", "1.5"), ("float", None, "1e3", "NaN"),
                ("float", "0:100", "100", "100.1"), ("integer", ":5", "-9", "6"), ("enum", "car,house", "car", "Car"), ("json", None, "[]", "7"),
                ("duration", None, "PT2H30M", "P1D"), ("color", "rgb", "rgb,100,100,100", "red"),
                ("datetime", None, "2026-01-15T02:05:00Z", "tomorrow")]
        for datatype, form, good, bad in rows:
            members = {"datatype": datatype, **({"format": form} if form else {})}
            self.assertTrue(homie.fits(members, good), members)
            self.assertFalse(homie.fits(members, bad), members)

    def test_every_break_of_a_rule_is_told(self):
        def described(**members):
            return json.dumps({"homie": "5.0", "version": 7, "nodes": {"a": {"properties": {"b": {"datatype": "integer", **members}}}}}).encode()
        good = [("homie/5/x/$state", b"init", True), ("homie/5/x/$description", described(), True), ("homie/5/x/a/b", b"1", True),
                ("homie/5/x/$state", b"ready", True), ("homie/5/x/$alert/battery", b"low", True), ("homie/5/x/$alert/battery", b"", True)]
        self.assertEqual(homie.complaints(good), [])
        rows = [("homie/5/x/a/b", b"one", True), ("homie/5/x/a/b", b"1", False), ("homie/5/x/a/c", b"1", True), ("homie/5/x/a/b", b"", True),
                ("homie/5/x/$state", b"alert", True), ("homie/5/x/$description", described(), True), ("homie/5/x/a/b", b"\0", True),
                ("homie/5/x/$alert/Low Battery", b"low", True), ("homie/5/x/a/b", b"\xff", True)]
        for row in rows:
            self.assertEqual(len(homie.complaints(good + [row])), 1, row)
        for wrong in (described(datatype="number"), described(format="5"), described(datatype="enum", format="a,a"), described(settable="yes"),
                      b'{"homie": "4.0", "version": 7}', b'{"homie": "5.0", "version": "7"}', b"{"):
            self.assertEqual(len(homie.complaints([("homie/5/x/$description", wrong, True)])), 1, wrong)


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
        self.assertEqual([line for line in lines if re.match(r"\| `[$a-z]+/", line)], printed)


if __name__ == "__main__":
    unittest.main()
