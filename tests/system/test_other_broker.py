"""The same against a second broker and a second client, both independent of the first: they come from the npm registry
(tests/npm, for these tests only) and speak MQTT 3.1.1, to which granaryd falls back by itself."""
import json
import os
import unittest

import paho.mqtt.client as mqtt

import test_override
from harness import NPM, OTHER_BROKER_MISSING, ROOT, OtherBroker, Process

WHY = "the second broker is not installed: npm ci --prefix tests/npm"


class NodeClient(Process):
    """Sees every message as a hub in another language would, and publishes."""

    def __init__(self, port):
        self.input, self.output = os.pipe()
        self.name, self.lines, self.ended = "node client", [], False
        super().__init__("node client", ["sh", "-c", f"exec node {os.path.join(NPM, 'client.js')} {port} <&{self.input}"],
                         pass_fds=(self.input,))
        os.close(self.input)
        self.wait_line("client subscribed")

    def publish(self, topic, payload):
        os.write(self.output, f"{topic} {payload}\n".encode())

    def messages(self):
        return [json.loads(line) for line in self.matching(r"^\{")]

    def wait_for(self, topic, accept):
        """The first message on the topic whose payload is accepted."""
        def ask():
            lines = [json.loads(line) for line in self.lines if line.startswith("{")]
            return next((m for m in lines if m["topic"] == topic and accept(m["payload"])), None)
        return self.changed.wait_until(ask, f"{topic} at the node client")


class OnOtherBroker:
    protocol = mqtt.MQTTv311

    def start_broker(self):
        return OtherBroker()


@unittest.skipIf(OTHER_BROKER_MISSING, WHY)
class OtherBrokerOverride(OnOtherBroker, test_override.Override):
    """Every test of the overrides once more."""


@unittest.skipIf(OTHER_BROKER_MISSING, WHY)
class OtherClient(OnOtherBroker, test_override.SystemTest):
    def setUp(self):
        super().setUp()
        self.hub = NodeClient(self.broker.port)
        self.processes.append(self.hub)
        self.addCleanup(os.close, self.hub.output)

    def test_a_hub_finds_the_device_sets_a_property_and_sees_it_obeyed(self):
        self.run_daemon(self.config())
        self.begin()
        self.hub.wait_for(f"{ROOT}/$state", lambda text: text == "ready")
        description = json.loads(self.hub.wait_for(f"{ROOT}/$description", lambda _: True)["payload"])
        self.assertTrue(description["nodes"]["override"]["properties"]["pause"]["settable"])
        self.hub.wait_for(f"{ROOT}/command/band", lambda text: text == "charge")
        mark = self.watcher.mark()
        self.hub.publish(f"{ROOT}/override/pause/set", "true")
        self.watcher.wait(f"{ROOT}/override/pause/set", lambda text: text == "true", mark)
        self.step(60)
        self.hub.wait_for(f"{ROOT}/override/pause", lambda text: text == "true")
        self.hub.wait_for(f"{ROOT}/command/band", lambda text: text == "follow")

    def test_the_wills_of_a_killed_daemon_reach_it(self):
        daemon = self.run_daemon(self.config())
        self.begin()
        self.assert_command("charge")
        daemon.kill()
        self.hub.wait_for(f"{ROOT}/$state", lambda text: text == "lost")
        self.hub.wait_for(f"{ROOT}/command/band", lambda text: text == "follow")
        self.hub.wait_for(f"{ROOT}/command/document", lambda text: json.loads(text)["valid_until"] is None)


# unittest would else run the first broker's tests once more from here
del test_override.Tool


if __name__ == "__main__":
    unittest.main()
