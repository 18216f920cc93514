"""The access list of conf/broker.acl on a real mosquitto: what each user may publish and read, and that granaryd and its hub can
live with it."""
import json
import os
import subprocess
import unittest

import paho.mqtt.client as mqtt

from harness import ROOT, SOURCE, SystemTest, find_program, needs_first_broker

USERS = ("granary", "hub", "panel", "auditor")
TOPICS = ("command/document", "command/band", "$state", "override/command/set", "override/request/set")


@needs_first_broker("its passwords and access list")
class Access(SystemTest):
    foreign = True  # much of what is published here is no granaryd's
    broker_extra = "allow_anonymous false\npassword_file {folder}/users\nacl_file {folder}/acl\npersistence false\n"

    def prepare_broker(self):
        with open(os.path.join(SOURCE, "conf/broker.acl"), encoding="utf-8") as stream:
            text = stream.read()
        with open(self.path("acl"), "w", encoding="utf-8") as stream:
            stream.write(text + "\n# who watches for the test\nuser auditor\ntopic readwrite #\n")
        with open(self.path("users"), "w", encoding="utf-8"):
            pass
        for user in USERS:
            subprocess.run([find_program("mosquitto_passwd"), "-b", self.path("users"), user, f"{user}'s word"], check=True,
                           capture_output=True)
        for name in ("acl", "users"):
            os.chmod(self.path(name), 0o644)

    def watch(self, user="auditor", **options):
        return super().watch(user=user, password=f"{user}'s word", **options)

    def daemon(self):
        with open(self.path("password"), "w", encoding="utf-8") as stream:
            stream.write("granary's word\n")
        daemon = self.run_daemon(self.config(safety="trust_clock = true;",
                                             mqtt=f'user = "granary"; password_file = "{self.path("password")}";'), simulated=False)
        self.watcher.wait(f"{ROOT}/$state", lambda text: text == "ready")
        return daemon

    def attempt(self, client, topic):
        """Whether a publish of this client comes through."""
        mark = self.watcher.mark()
        client.publish(topic, "attempt")
        self.watcher.publish("fence", "after it")
        self.watcher.wait("fence", mark=mark)
        return bool(self.watcher.since(mark, topic.replace("$", r"\$")))

    def test_granaryd_commands_on_what_a_hub_publishes_under_the_list(self):
        daemon = self.daemon()
        hub = self.watch("hub", filters=(f"{ROOT}/#",))
        for topic, payload in self.house.items():
            hub.publish(topic, payload)
        seen = hub.wait(f"{ROOT}/command/document", lambda text: "starting" not in text and "not seen" not in text)
        self.assertEqual(json.loads(seen.payload)["command"], self.value("command/band"))
        hub.wait(f"{ROOT}/health/fault", lambda text: text == "none")
        self.assertEqual(daemon.matching("refuses"), [])

    def test_nobody_but_granaryd_publishes_commands(self):
        for user in ("hub", "panel"):
            client = self.watch(user, filters=(f"{ROOT}/#",))
            for name in TOPICS:
                allowed = user == "panel" and name.endswith("/set")
                with self.subTest(user=user, topic=name):
                    self.assertEqual(self.attempt(client, f"{ROOT}/{name}"), allowed)

    def test_nobody_but_the_hub_publishes_readings(self):
        for user in ("granary", "hub", "panel"):
            client = self.watch(user, filters=(f"{ROOT}/#",))
            with self.subTest(user=user):
                self.assertEqual(self.attempt(client, "house/soc"), user == "hub")
                self.assertFalse(self.attempt(client, "elsewhere/topic"))

    def test_a_panel_overrides_and_is_answered(self):
        self.daemon()
        panel = self.watch("panel", filters=(f"{ROOT}/#",))
        panel.publish(f"{ROOT}/override/pause/set", "true")
        panel.wait(f"{ROOT}/override/pause", lambda text: text == "true")

    def test_what_each_user_reads(self):
        expected = {"granary": {f"{ROOT}/command/band", "house/soc"}, "hub": {f"{ROOT}/command/band"},
                    "panel": {f"{ROOT}/command/band", "house/soc"}}
        clients = {user: self.watch(user, filters=("#",)) for user in expected}
        for topic in (f"{ROOT}/command/band", "house/soc", "elsewhere/topic"):
            self.watcher.publish(topic, "to be read")
        for user, client in clients.items():
            for topic in expected[user]:
                client.wait(topic)
            self.assertEqual({message.topic for message in client.messages}, expected[user], user)

    def test_no_password_no_connection(self):
        refused = []
        for user, password in ((None, None), ("granary", "a guess"), ("stranger", "word")):
            client = mqtt.Client(client_id=f"stranger-{os.getpid()}", protocol=mqtt.MQTTv5)
            if user:
                client.username_pw_set(user, password)
            client.on_connect = lambda c, _u, _f, reason, _p=None: (refused.append(reason.value), c.disconnect())
            client.connect("127.0.0.1", self.broker.port)
            client.loop_forever(retry_first_connection=False)
        self.assertEqual(len(refused), 3)
        self.assertTrue(all(reason >= 128 for reason in refused), refused)


if __name__ == "__main__":
    unittest.main()
