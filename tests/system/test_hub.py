"""An inverter's bridge and a hub with words of their own: actuate and announce entries, their wills, and what becomes of them."""
import json
import os
import re
import signal
import unittest

from harness import ROOT, SOURCE, SystemTest, needs_first_broker

ACTUATE = """
actuate = (
    { command = "follow"; topic = "bridge/mode"; payload = "auto"; retain = true; will = true; },
    { command = "store"; topic = "bridge/mode"; payload = "hold"; retain = true; },
    { command = "serve"; topic = "bridge/mode"; payload = "no-charge"; retain = true; },
    { command = "charge"; topic = "bridge/limit"; payload = "${power_w:*0.1:.0}"; repeat_s = 120; },
    { command = "charge"; topic = "bridge/job/${sequence}"; payload = "{\\"kw\\": ${battery_w:*0.001:.3}, \\"to\\": ${target_percent:.0}, \\"until\\": ${valid_until:json}, \\"why\\": ${reason:json}}"; },
    { command = "charge"; topic = "bridge/mode"; payload = "charge"; retain = true; },
    { command = "export"; topic = "bridge/mode"; payload = "sell"; retain = true; },
    { command = "rest"; topic = "bridge/mode"; payload = "idle"; retain = true; },
    { command = "follow"; topic = "bridge/limit"; payload = "0"; retain = true; will = true; }
);
"""
ANNOUNCE = """
announce = (
    { of = "device"; topic = "hub/${device}/device"; payload = "{\\"name\\": ${site:json}, \\"alive\\": ${availability_topic:json}}"; },
    { of = "property"; kinds = "number"; settable = "no"; topic = "hub/${device}/sensor/${id}";
      payload = "{\\"name\\": ${name:json}, \\"unit\\": ${unit:json}, \\"least\\": ${least}, \\"read\\": ${state_topic:json}}"; },
    { of = "property"; kinds = "choice"; nodes = "override"; topic = "hub/${device}/select/${id}";
      payload = "{\\"options\\": ${words}, \\"set\\": ${set_topic:json}, \\"can\\": ${settable}}"; }
);
"""


class Hub(SystemTest):
    def write(self, extra, **options):
        file = self.config(**options)
        with open(file, "a", encoding="utf-8") as stream:
            stream.write(extra)
        return file

    def sent(self, mark=0):
        return [(m.topic, m.payload.decode(), m.retained) for m in self.watcher.since(mark, r"bridge/.*")]

    # ---- actuate

    @needs_first_broker("MQTT 5, to see the retain flag of what is published")
    def test_a_command_goes_out_in_the_bridges_words_in_the_order_of_the_list(self):
        # the limit is no topic of the will here, as it is not retained with a charge
        self.run_daemon(self.write(ACTUATE.replace('"bridge/limit"; payload = "0"; retain = true; will = true',
                                                   '"bridge/other"; payload = "0"; retain = true; will = true')))
        self.begin()
        document = self.document()
        self.assertEqual(document["command"], "charge")
        (limit, job, mode) = self.sent()
        self.assertEqual(limit, ("bridge/limit", f"{round(document['power_w'] / 10)}", False))
        self.assertEqual(job[0], f"bridge/job/{document['sequence']}")
        self.assertEqual(json.loads(job[1]), {"kw": document["power_w"] / 1000, "to": document["target_percent"],
                                              "until": document["valid_until"], "why": document["reason"]})
        self.assertEqual(mode, ("bridge/mode", "charge", True))

    @needs_first_broker("MQTT 5, to see the retain flag of what is published")
    def test_it_is_repeated_where_asked_and_else_sent_only_where_it_changes(self):
        self.run_daemon(self.write(ACTUATE.replace('"bridge/limit"; payload = "0"; retain = true; will = true',
                                                   '"bridge/other"; payload = "0"; retain = true; will = true')))
        self.begin()
        mark = self.live(360, by=10)
        topics = [topic for topic, *_ in self.sent(mark)]
        self.assertEqual(topics.count("bridge/limit"), 3)
        self.assertEqual(topics.count("bridge/mode"), 0)
        self.assertGreaterEqual(len([t for t in topics if t.startswith("bridge/job/")]), 2)  # with each renewal, as it holds its time
        self.house["house/soc"] = None
        mark = self.live(420)
        self.assertEqual(self.sent(mark)[-2:], [("bridge/mode", "auto", True), ("bridge/other", "0", True)])

    def test_the_broker_sends_the_wills_when_the_daemon_is_killed(self):
        daemon = self.run_daemon(self.write(ACTUATE.replace('repeat_s = 120;', 'retain = true;')))
        self.begin()
        self.assertEqual(self.watcher.latest("bridge/mode"), "charge")
        mark = self.watcher.mark()
        daemon.kill()
        self.watcher.wait("bridge/mode", lambda text: text == "auto", mark)
        self.watcher.wait("bridge/limit", lambda text: text == "0", mark)
        self.watcher.wait(f"{ROOT}/command/band", lambda text: text == "follow", mark)
        late = self.watch()
        self.assertEqual(late.wait("bridge/mode").payload, b"auto")

    @needs_first_broker("MQTT 5, to see the retain flag of what is published")
    def test_an_orderly_end_leaves_follow(self):
        daemon = self.run_daemon(self.write(ACTUATE.replace('repeat_s = 120;', 'retain = true;')))
        self.begin()
        mark = self.watcher.mark()
        self.stop(daemon)
        self.watcher.wait(f"{ROOT}/$state", lambda text: text == "disconnected", mark)
        self.assertEqual(self.sent(mark), [("bridge/mode", "auto", True), ("bridge/limit", "0", True)])

    def test_an_observer_sends_the_bridge_nothing(self):
        daemon = self.run_daemon(self.write(ACTUATE.replace('repeat_s = 120;', 'retain = true;'), commanding=False))
        self.begin()
        self.live(600)
        daemon.kill()
        self.watcher.wait(f"{ROOT}/$state", lambda text: text == "lost")
        self.assertEqual(self.sent(), [])

    # ---- announce

    def announced(self):
        return {m.topic: m.payload for m in self.watch().since(0, r"hub/.*")}

    @needs_first_broker("MQTT 5, to see the retain flag of what is published")
    def test_the_device_and_its_properties_are_announced_retained(self):
        self.run_daemon(self.write(ANNOUNCE))
        self.begin()
        self.assertEqual(json.loads(self.watcher.latest("hub/granary/device")), {"name": "Test house", "alive": f"{ROOT}/$state"})
        self.assertEqual(json.loads(self.watcher.latest("hub/granary/sensor/health-changes")),
                         {"name": "Changes of command in 24 h", "unit": "", "least": 0, "read": f"{ROOT}/health/changes"})
        select = json.loads(self.watcher.latest("hub/granary/select/override-command"))
        self.assertEqual((select["options"][:2], select["set"], select["can"]), (["none", "follow"], f"{ROOT}/override/command/set", True))
        for message in self.watcher.since(0, r"hub/.*"):
            self.assertTrue(message.retained)
            json.loads(message.payload)
        topics = {m.topic for m in self.watcher.since(0, r"hub/.*")}
        self.assertNotIn("hub/granary/sensor/override-power", topics)  # it can be set
        self.assertNotIn("hub/granary/sensor/health-reason", topics)  # it is no number

    def test_what_is_no_longer_configured_is_withdrawn(self):
        daemon = self.run_daemon(self.write(ANNOUNCE))
        self.begin()
        self.stop(daemon)
        mark = self.watcher.mark()
        daemon = self.run_daemon(self.write(ANNOUNCE.replace('kinds = "number"; settable = "no";', 'kinds = "number"; nodes = "plan";')))
        self.step()
        gone = {m.topic for m in self.watcher.since(mark, r"hub/.*") if m.payload == b""}
        self.assertIn("hub/granary/sensor/health-changes", gone)
        self.assertNotIn("hub/granary/sensor/plan-marginal-value", gone)
        self.write("")
        mark = self.watcher.mark()
        daemon.signal(signal.SIGHUP)
        self.watcher.wait("hub/granary/device", lambda text: text == "", mark)
        self.step()
        late = self.watch()
        late.wait(f"{ROOT}/$state")
        self.assertEqual(late.since(0, r"hub/.*"), [])

    def test_the_examples_of_the_wiring_guide_are_accepted_and_its_tables_name_every_value(self):
        with open(os.path.join(SOURCE, "docs", "wiring.md"), encoding="utf-8") as file:
            text = file.read()
        examples = re.findall(r"^    (?:actuate|announce) = \(\n.*?^    \);", text, re.DOTALL | re.MULTILINE)
        self.assertEqual(len(examples), 3)
        for example in examples:
            with self.subTest(example=example[:60]):
                run = self.run_tool("check", self.write(example))
                self.assertEqual(run.returncode, 0, run.stderr)
        for entry, payload in (("actuate", 'command = "any"; topic = "x"; payload = "${nothing}"'),
                               ("announce", 'of = "device"; topic = "x"; payload = "${nothing}"')):
            run = self.run_tool("check", self.write(f"{entry} = ( {{ {payload}; }} );"))
            known = re.search(r"known: (.*)", run.stderr).group(1).split(", ")
            self.assertGreater(len(known), 10)
            for name in known:
                self.assertIn(f"`${{{name}}}`", text)

    # ---- mistakes

    def test_mistakes_in_templates_are_named_with_file_line_and_key(self):
        good = ACTUATE.replace('repeat_s = 120;', 'retain = true;')
        for wrong, words in (
                (good.replace("${power_w:*0.1:.0}", "${powr}"), r"actuate\[3\]\.payload: \$\{powr\}: there is no such value here; known: command, power_w"),
                (good.replace("${reason:json}", "${reason}"), r"actuate\[4\]\.payload: begins like JSON but is none"),
                (good.replace('"auto"', '"${command}"'), r"actuate\[0\]\.payload: .*must be fixed"),
                (good.replace('{ command = "rest"; topic = "bridge/mode"; payload = "idle"; retain = true; },', ""),
                 r'no entry says what the bridge is told with "rest"'),
                (good.replace('"hold"; retain = true', '"hold"'), r"actuate\[1\]\.retain: missing on the topic of a will"),
                (good.replace('"bridge/job/${sequence}"', '"bridge/#"'), r"actuate\[4\]\.topic: "),
                (good.replace('"bridge/job/${sequence}"', '"house/soc"'), r"from which inputs\.state_of_charge is read"),
                (good.replace('"bridge/job/${sequence}"', f'"{ROOT}/x"'), r"that Granary itself publishes"),
                (good.replace("command = \"store\"", "command = \"stor\""), r"actuate\[1\]\.command: "),
                (ANNOUNCE.replace("sensor/${id}", "sensor"), r"announce\[1\]\.topic: every property"),
                (ANNOUNCE.replace('"choice"', '"chose"'), r'announce\[2\]\.kinds: found "chose"')):
            with self.subTest(words=words):
                run = self.run_tool("check", self.write(wrong))
                self.assertEqual(run.returncode, 2, run.stdout)
                self.assertRegex(run.stderr, rf"granary\.conf:\d+: .*{words}")
        self.assertEqual(self.run_tool("check", self.write(good + ANNOUNCE)).returncode, 0)


if __name__ == "__main__":
    unittest.main()
