"""The power of granaryd's machine is cut: nothing it has to say reaches the broker any more, not even that its connections end. The
machine is a network namespace with a cable of its own; where that is not permitted the test skips."""
import json
import os
import signal
import subprocess
import time
import unittest

from harness import DAEMON, ROOT, Process, SystemTest, free_port, needs_first_broker

KEEP_ALIVE_S = 5
MOST_S = 1.5 * KEEP_ALIVE_S + 7 + 1  # when mosquitto gives a silent client up, and a second to tell


@needs_first_broker("a listener on the cable as well")
class Power(SystemTest):
    def prepare_broker(self):
        """A cable from here to the machine; the broker listens at this end of it too."""
        number = os.getpid() % 16000
        self.machine, self.near, self.far = f"granary{number}", f"gn{number}", f"gf{number}"
        self.address, far_address = (f"10.213.{number // 64}.{number % 64 * 4 + end}" for end in (1, 2))
        self.ip("netns", "add", self.machine)
        self.addCleanup(subprocess.run, ["ip", "netns", "del", self.machine], check=False, capture_output=True)
        self.ip("link", "add", self.near, "type", "veth", "peer", "name", self.far, "netns", self.machine)
        self.addCleanup(subprocess.run, ["ip", "link", "del", self.near], check=False, capture_output=True)
        self.ip("address", "add", f"{self.address}/30", "dev", self.near)
        self.ip("link", "set", self.near, "up")
        self.ip("-n", self.machine, "address", "add", f"{far_address}/30", "dev", self.far)
        self.plug(True)
        self.far_port = free_port()
        self.broker_extra = f"allow_anonymous true\npersistence false\nlistener {self.far_port} {self.address}\n"

    def ip(self, *arguments):
        try:
            done = subprocess.run(["ip", *arguments], capture_output=True, text=True, check=False)
        except FileNotFoundError:
            self.skipTest("the program ip is not here")
        if done.returncode != 0:
            self.skipTest(f"no right to a network namespace: {done.stderr.strip()}")

    def plug(self, plugged):
        self.ip("-n", self.machine, "link", "set", self.far, "up" if plugged else "down")

    def run_on_machine(self):
        text = self.config(safety="trust_clock = true;", mqtt=f"keep_alive_s = {KEEP_ALIVE_S};", port=self.far_port,
                           client_id="granary-machine")
        with open(text, encoding="utf-8") as stream:
            changed = stream.read().replace('host = "127.0.0.1"', f'host = "{self.address}"')
        with open(text, "w", encoding="utf-8") as stream:
            stream.write(changed)
        daemon = Process("granaryd", ["ip", "netns", "exec", self.machine, DAEMON, text], env={**os.environ, "TZ": "UTC"})
        self.processes.append(daemon)
        daemon.wait_line("connected to the broker")
        return daemon

    def command_charge(self):
        mark = self.watcher.mark()
        self.publish_house()
        self.watcher.wait(f"{ROOT}/health/fault", lambda text: text == "none", mark)
        self.watcher.publish(f"{ROOT}/override/command/set", "charge")
        self.watcher.wait(f"{ROOT}/command/band", lambda text: text == "charge", mark)

    def test_a_power_cut_ends_in_follow_by_the_broker_and_the_machine_commands_again_when_it_is_back(self):
        daemon = self.run_on_machine()
        self.command_charge()
        mark, cut = self.watcher.mark(), time.monotonic()
        self.plug(False)
        daemon.signal(signal.SIGKILL)
        band = self.watcher.wait(f"{ROOT}/command/band", lambda text: text == "follow", mark)
        document = self.watcher.wait(f"{ROOT}/command/document", lambda text: json.loads(text)["command"] == "follow", mark)
        state = self.watcher.wait(f"{ROOT}/$state", lambda text: text == "lost", mark)
        latest = max(message.at for message in (band, document, state)) - cut
        print(f"follow {latest:.1f} s after the power cut, keep-alive {KEEP_ALIVE_S} s", flush=True)
        self.assertLess(latest, MOST_S)
        self.plug(True)
        self.run_on_machine()
        self.command_charge()


if __name__ == "__main__":
    unittest.main()
