"""Commands appear, say the same on every topic, rise, expire and are renewed."""
import unittest

from harness import ROOT, SystemTest, moment, needs_first_broker

COMMAND_TOPICS = ("band", "power", "target", "valid-until", "reason", "sequence", "document")


class Commands(SystemTest):
    def setUp(self):
        super().setUp()
        self.daemon = self.run_daemon(self.config(safety="validity_s = 300;"))

    def test_the_battery_is_filled_in_the_cheap_night(self):
        self.begin("2041-01-15 02:00")
        self.assert_command("charge")
        document = self.document()
        self.assertTrue(100 <= document["power_w"] <= 3000, document)
        self.assertTrue(30 < document["target_percent"] <= 100, document)
        self.assertEqual(moment(document["valid_until"]) - moment(document["issued"]), 300)
        self.assertEqual(moment(document["issued"]), self.now)
        self.assertRegex(document["reason"], r"importing costs 0\.1000 until then.*: charge; ")

    def test_the_battery_carries_the_house_in_the_dear_evening(self):
        self.house["house/soc"] = "80"
        self.begin("2041-01-15 17:30")
        self.assertIn(self.document()["command"], ("follow", "serve", "export"))
        self.assertEqual(self.value("health/fault"), "none")

    def test_the_command_changes_when_the_night_ends(self):
        self.house["house/soc"] = "95"
        self.begin("2041-01-15 05:50")
        night = self.document()
        self.live(1800)
        self.assertNotEqual(self.document()["command"], "charge")
        self.assertGreater(self.document()["sequence"], night["sequence"])

    def test_document_and_plain_topics_agree(self):
        self.begin()
        self.live(600)
        document = self.document()
        plain = {"command": self.value("command/band"), "power_w": int(self.value("command/power")),
                 "target_percent": int(self.value("command/target")), "valid_until": self.value("command/valid-until"),
                 "reason": self.value("command/reason"), "sequence": int(self.value("command/sequence"))}
        self.assertEqual({**plain, "issued": document["issued"]}, document)

    def test_the_figures_come_before_the_word_that_is_acted_upon(self):
        mark = self.begin()
        topics = [m.topic.rsplit("/", 1)[1] for m in self.watcher.since(mark, f"{ROOT}/command/.*")]
        self.assertEqual(topics[-2:], ["band", "document"])
        self.assertEqual(sorted(topics), sorted(COMMAND_TOPICS))

    def test_a_command_is_renewed_before_it_expires_and_the_sequence_rises(self):
        mark = self.watcher.mark()
        self.begin()
        self.live(3600, by=20)
        documents = self.documents_since(mark)
        self.assertGreaterEqual(len(documents), 3600 // 300)
        for before, after in zip(documents, documents[1:]):
            self.assertGreater(after["sequence"], before["sequence"])
            self.assertGreater(moment(before["valid_until"]), moment(after["issued"]))

    @needs_first_broker("MQTT 5, whose messages expire")
    def test_every_command_message_expires_with_the_command(self):
        mark = self.begin()
        for name in COMMAND_TOPICS:
            with self.subTest(topic=name):
                message = self.watcher.since(mark, f"{ROOT}/command/{name}")[-1]
                self.assertTrue(message.expiry_s and 200 <= message.expiry_s <= 300, message)

    def test_the_sequence_goes_on_rising_after_a_restart(self):
        self.begin()
        self.live(600)
        before = self.document()["sequence"]
        self.stop(self.daemon)
        self.run_daemon(self.path("granary.conf"))
        mark = self.begin("2041-01-15 02:30")
        self.assertGreater(self.documents_since(mark)[-1]["sequence"], before)


class Observing(SystemTest):
    def test_nothing_is_commanded_until_the_householder_says_so(self):
        daemon = self.run_daemon(self.config(commanding=False))
        self.begin()
        self.live(900)
        self.assertEqual(self.value("advice/band"), "charge")
        self.assertEqual(self.value("health/mode"), "observing")
        self.assertGreater(len(self.plan()), 40)
        self.stop(daemon)
        self.watcher.wait(f"{ROOT}/$state", lambda text: text == "disconnected")
        self.assertEqual(self.watcher.since(0, r".*/command/.*"), [])

    def test_the_death_of_an_observer_commands_nothing_either(self):
        daemon = self.run_daemon(self.config(commanding=False))
        self.begin()
        daemon.kill()
        self.watcher.wait(f"{ROOT}/$state", lambda text: text == "lost")
        self.assertEqual(self.watcher.since(0, r".*/command/.*"), [])


if __name__ == "__main__":
    unittest.main()
