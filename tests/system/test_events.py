"""Events from a source of their own, over HTTP and from a file: fetched, refused by name, withdrawn, kept, and prepared for by the plan."""
import json
import os
import unittest

from harness import Answer, SystemTest, moment, utc

PATH = "/events.json"
NOON = "2041-01-15 12:00"
LIST = 'format = "json"; list = "/events"; id = "/ref"; start = "/from"; end = "/to"; value = "/pay"; value_is = "payment"; poll_minutes = 5;'


def paid(*rows):
    """A list of our own invention: name, hours of the day in UTC, money per kWh."""
    return json.dumps({"events": [{"ref": name, "from": f"2041-01-15T{start}:00Z", "to": f"2041-01-15T{end}:00Z", "pay": pay}
                                  for name, start, end, pay in rows]}).encode()


def openadr(price, start="2041-01-15T17:00:00Z", duration="PT1H", identifier="ev-1", **more):
    """What a server of OpenADR 3 answers to GET /events (specification 3.1.0): an array of events."""
    return json.dumps([{"id": identifier, "objectType": "EVENT", "programID": "p1", "eventName": "peak", "priority": 0,
                        "intervalPeriod": {"start": start, "duration": duration},
                        "payloadDescriptors": [{"objectType": "EVENT_PAYLOAD_DESCRIPTOR", "payloadType": "PRICE", "units": "KWH",
                                                "currency": "EUR"}],
                        "intervals": [{"id": 0, "payloads": [{"type": "PRICE", "values": [price]}]}], **more}]).encode()


class Events(SystemTest):
    def start(self, source, at=NOON, record=False):
        config = self.config()
        with open(config, "a", encoding="utf-8") as stream:
            stream.write(f"event_sources = ( {{ {source} }} );\n")
            stream.write("events = { record = true; };\n" if record else "")
        self.daemon = self.run_daemon(config)
        self.begin(at)

    def http(self, port, mapping=LIST):
        return f'kind = "http"; name = "network"; url = "http://127.0.0.1:{port}{PATH}"; {mapping}'

    def start_http(self, *answers, mapping=LIST, **options):
        self.server = self.serve_rates()
        self.server.answer(PATH, *answers)
        self.start(self.http(self.server.port, mapping), **options)

    def events(self):
        return json.loads(self.value("plan/events"))

    def source(self):
        return json.loads(self.value("health/event-sources"))[0]

    def prices(self, member="import_price"):
        return {slot["start"][11:16]: round(slot[member], 6) for slot in self.plan() if slot["start"].startswith("2041-01-15")}

    def test_the_plan_prepares_for_an_openadr_3_price_event(self):
        self.house["house/soc"] = "90"
        self.start_http(Answer(body=b"[]"), mapping='format = "openadr3";')
        self.assertEqual((self.events(), self.source()["state"]), ([], "ok"))
        def ready():
            return next(slot["stored_kwh"] for slot in self.plan() if slot["end"] == "2041-01-15T15:00:00Z")
        usual = ready()
        self.server.answer(PATH, Answer(body=openadr(-0.5, "2041-01-15T15:00:00Z")))
        self.live(720, by=60)
        self.assertEqual(self.events(), [{"source": "network", "id": "ev-1 (peak)", "kind": "import_price",
                                          "start": "2041-01-15T15:00:00Z", "end": "2041-01-15T16:00:00Z", "value": -0.5}])
        prices = self.prices()
        self.assertEqual([prices[at] for at in ("14:30", "15:00", "15:30", "16:00")], [0.25, -0.5, -0.5, 0.25])
        self.assertLess(ready(), usual - 0.5)  # room for what is paid for
        commands = {slot["start"][11:16]: slot["command"] for slot in self.plan()[:12]}
        self.assertEqual((commands["14:00"], commands["15:00"], commands["15:30"]), ("follow", "charge", "charge"))

    def test_an_event_is_withdrawn_when_its_source_no_longer_lists_it(self):
        self.start_http(Answer(body=paid(("a", "17:00", "18:00", 2), ("b", "20:00", "21:00", 1))))
        self.assertEqual([one["id"] for one in self.events()], ["a", "b"])
        self.assertEqual(self.prices("export_price")["17:00"], 2.05)
        self.server.answer(PATH, Answer(body=paid(("b", "20:00", "21:00", 1))))
        self.live(480)
        self.assertEqual([one["id"] for one in self.events()], ["b"])
        self.assertEqual(self.prices("export_price")["17:00"], 0.05)
        self.daemon.wait_line(r"events: network: 1 windows, 0 events refused")
        self.server.answer(PATH, Answer(body=paid()))
        self.live(480)
        self.assertEqual(self.events(), [])

    def test_a_wrong_event_is_refused_by_name_with_the_reason_and_the_others_count(self):
        self.start_http(Answer(body=paid(("upside down", "18:00", "17:00", 2), ("gold", "17:00", "18:00", 99), ("good", "20:00", "21:00", 1))))
        self.assertEqual([one["id"] for one in self.events()], ["good"])
        refused = {one["id"]: one["reason"] for one in self.source()["refused"]}
        self.assertEqual(set(refused), {"upside down", "gold"})
        self.assertIn("needed: an end after the start", refused["upside down"])
        self.assertIn("99; allowed: -2 to 10", refused["gold"])
        self.daemon.wait_line(r"events: network: gold refused: the value is 99")
        self.assertEqual(self.value("health/fault"), "none")

    def test_a_source_that_is_down_or_talks_nonsense_leaves_what_is_known_until_its_end_and_says_so(self):
        self.start_http(Answer(body=paid(("a", "13:00", "14:00", 2), ("b", "20:00", "21:00", 1))))
        self.server.answer(PATH, Answer(503, b"busy"))
        self.live(480)
        self.assertEqual((self.source()["state"], len(self.events())), ("down", 2))
        self.assertIn("503", self.source()["why"])
        since = moment(self.source()["since"])
        self.assertTrue(self.now - 480 <= since <= self.now)
        self.daemon.wait_line(r"events: network: .*503.*; 2 windows known before stay until their end")
        self.live(7200, by=300)
        self.assertEqual([one["id"] for one in self.events()], ["b"])
        self.assertEqual(self.prices("export_price")["20:00"], 1.05)
        self.assertEqual(moment(self.source()["since"]), since)
        self.server.answer(PATH, Answer(body=b"<html>"))
        self.live(7200, by=300)
        self.assertEqual((self.source()["state"], len(self.events())), ("refused", 1))
        self.assertIn("no JSON document", self.source()["why"])
        self.server.answer(PATH, Answer(body=paid()))
        self.live(7200, by=300)
        self.assertEqual((self.source()["state"], self.source()["why"], self.events()), ("ok", "", []))
        self.daemon.wait_line("events: network: answers again")

    def test_it_is_asked_every_so_often_and_an_unchanged_answer_costs_no_plan(self):
        self.start_http(Answer(body=paid(("a", "20:00", "21:00", 2)), headers={"ETag": '"one"'}), Answer(304))
        self.live(3600, by=60)
        self.assertIn(self.server.count(PATH), (10, 11, 12, 13))
        tags = [headers.get("If-None-Match") for path, headers in self.server.requests if path == PATH]
        self.assertEqual((tags[0], set(tags[1:])), (None, {'"one"'}))
        self.assertEqual((self.source()["state"], len(self.events())), ("ok", 1))
        self.assertEqual(len(self.daemon.matching("events: network: 1 windows")), 1)

    def test_a_document_beyond_all_size_is_not_read(self):
        self.start_http(Answer(body=b"[" + b" " * 1200000 + b"]"), mapping='format = "openadr3";')
        self.live(60)
        self.assertEqual(self.source()["state"], "down")
        self.assertEqual(self.value("health/fault"), "none")

    def test_what_was_told_survives_a_restart_without_its_source(self):
        self.start_http(Answer(body=paid(("a", "13:00", "14:00", 2), ("b", "20:00", "21:00", 1)), headers={"ETag": '"one"'}))
        self.daemon.kill()
        port = self.server.port
        self.server.close()
        self.start(self.http(port), at="2041-01-15 15:00")
        self.assertEqual([one["id"] for one in self.events()], ["b"])
        self.assertEqual(self.prices("export_price")["20:00"], 1.05)
        self.live(120)
        self.assertEqual(self.source()["state"], "down")

    def test_what_events_did_replays_to_the_byte(self):
        self.start_http(Answer(body=paid(("a", "13:00", "14:00", 2))), record=True)
        self.server.answer(PATH, Answer(body=paid()))
        self.live(900)
        self.assertEqual(self.events(), [])
        self.stop(self.daemon)
        run = self.run_tool("replay", self.path("state/events.log"))
        self.assertEqual(run.returncode, 0, run.stdout + run.stderr)
        with open(self.path("state/events.log"), encoding="utf-8") as stream:
            told = [line.split() for line in stream if line.startswith("windows ")]
        self.assertEqual((told[0][5], {line[5] for line in told[1:]}), ("1", {"0"}))

    def test_a_file_is_read_when_it_changes_and_may_wish_for_a_state_of_charge(self):
        path = self.path("wishes.json")
        def write(rows):
            with open(path + ".new", "w", encoding="utf-8") as stream:
                json.dump(rows, stream)
            os.replace(path + ".new", path)
        write([{"at": utc("2041-01-15 16:00"), "level": 0.9}])
        self.start(f'kind = "file"; name = "wishes"; path = "{path}"; format = "json"; start = "/at"; value = "/level"; '
                   'value_is = "state_of_charge"; unit = "ratio";')
        self.assertEqual([(one["kind"], one["value"]) for one in self.events()], [("state_of_charge", 90)])
        def stored():
            return next(slot["stored_kwh"] for slot in self.plan() if slot["end"] == "2041-01-15T16:00:00Z")
        self.assertGreater(stored(), 8.8)
        write([])
        self.live(300)
        self.assertEqual(self.events(), [])
        self.assertLess(stored(), 8)
        os.remove(path)
        self.live(120)
        self.assertEqual(self.source()["state"], "down")

    def test_the_tool_plans_with_them_too(self):
        server = self.serve_rates()
        server.answer(PATH, Answer(body=openadr(4.5, identifier="tool")))
        config = self.config()
        with open(config, "a", encoding="utf-8") as stream:
            stream.write(f'event_sources = ( {{ {self.http(server.port, "format = %sopenadr3%s;" % (chr(34), chr(34)))} }} );\n')
        run = self.run_tool("plan", "--json", "--at", "2041-01-15T12:00:00Z", "--state-of-charge", "50", config)
        self.assertEqual(run.returncode, 0, run.stderr)
        slots = {slot["start"]: slot["import_price"] for slot in json.loads(run.stdout)["slots"]}
        self.assertEqual(slots["2041-01-15T17:00:00Z"], 4.5)


if __name__ == "__main__":
    unittest.main()
