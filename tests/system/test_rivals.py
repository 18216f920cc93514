"""Somebody else on our command topic: a person, a program, a second granaryd."""
import json
import os
import signal
import unittest

from harness import ROOT, SystemTest

FOREIGN = {"command": "export", "power_w": 2000, "target_percent": 20, "issued": "2041-01-15T02:00:00Z",
           "valid_until": "2041-01-15T03:00:00Z", "reason": "by hand", "sequence": 7}


class Rivals(SystemTest):
    def start(self, name="granary", **groups):
        state = self.path(f"state-{name}")
        os.makedirs(state, exist_ok=True)
        file = self.config(file=f"{name}.conf", state=state, **groups)
        return self.run_daemon(file)

    def own_documents(self, mark):
        return [document for document in self.documents_since(mark) if document["reason"] != "by hand"]

    def test_a_foreign_command_is_left_alone_until_it_has_stopped_for_ten_minutes(self):
        self.foreign = True
        daemon = self.start()
        self.begin()
        self.assert_command("charge")
        self.watcher.publish(f"{ROOT}/command/document", json.dumps(FOREIGN))
        daemon.wait_line("somebody else commands here: standing by")
        mark = self.live(500)
        self.assertEqual(self.value("health/fault"), "rival")
        self.assertEqual(self.own_documents(mark), [])
        mark = self.live(600)
        self.assertTrue(self.own_documents(mark))
        self.assert_command("charge")

    def test_our_own_echo_is_no_rival(self):
        daemon = self.start()
        self.begin()
        self.live(1800)
        self.assertEqual(daemon.matching("somebody else"), [])
        self.assert_command("charge")

    def test_of_two_with_ids_of_their_own_the_older_one_stands_by_and_takes_over_at_the_others_death(self):
        older = self.start("older")
        self.begin()
        self.assert_command("charge")
        newer = self.start("newer", client_id="another")
        self.stepping = 2  # one clock for both: neither may miss a step
        self.step()
        older.wait_line("somebody else commands here: standing by")
        mark = self.live(900)
        documents = self.documents_since(mark)
        self.assertTrue(documents)
        self.assertEqual(newer.matching("somebody else"), [])
        newer.signal(signal.SIGKILL)
        self.stepping = 1
        older.wait_line("somebody else's end: commanding again")
        self.live(200)
        self.watcher.wait(f"{ROOT}/$state", lambda text: text == "ready", mark)
        self.assert_command("charge")
        self.stop(older)


if __name__ == "__main__":
    unittest.main()
