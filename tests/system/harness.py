"""What the system tests share: a broker, a rate server, a watcher of every topic, the programs, a house of four readings.

Nothing here sleeps: every wait is for a message, a line of output or the end of a process, and has a deadline. Each test has ports,
a folder and client ids of its own. Most tests drive granaryd step by step with a simulated clock."""
import collections
import ctypes
import datetime
import http.server
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import unittest

import paho.mqtt.client as mqtt
from paho.mqtt.subscribeoptions import SubscribeOptions

import homie

BUILD = os.environ.get("GRANARY_BUILD", "build")
SOURCE = os.environ.get("GRANARY_SOURCE", os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", ".."))
DAEMON = os.path.join(BUILD, "granaryd")
TOOL = os.path.join(BUILD, "granary")
CONFINED = bool(os.environ.get("GRANARY_CONFINED"))  # run granaryd under the restrictions of its unit: see confined.py
DEADLINE_S = 60  # sanitizers and a busy machine are slow; a healthy run never waits this long
ROOT = "homie/5/granary"


def utc(text):
    """Unix seconds of "2041-01-15 02:00", UTC."""
    return int(datetime.datetime.fromisoformat(text).replace(tzinfo=datetime.timezone.utc).timestamp())


def moment(text):
    """Unix seconds of an RFC 3339 text as the daemon writes it."""
    return int(datetime.datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp())


def find_program(name):
    found = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/bin")
    if not found:
        raise FileNotFoundError(f"{name} is needed by the system tests")
    return found


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class Patience(threading.Condition):
    """A condition with one way of waiting: until `ask` gives something, or the deadline passes."""

    def wait_until(self, ask, what, deadline_s=DEADLINE_S):
        end = time.monotonic() + deadline_s
        with self:
            while True:
                found = ask()
                if found is not None and found is not False:
                    return found
                left = end - time.monotonic()
                if left <= 0:
                    raise AssertionError(f"nothing came within {deadline_s} s: {what() if callable(what) else what}")
                self.wait(left)


LIBC = ctypes.CDLL(None)


def end_with_parent():
    """Linux's PR_SET_PDEATHSIG: a test that is killed leaves nothing running."""
    LIBC.prctl(1, signal.SIGKILL)


class Process:
    """A program that runs in the background; its output is kept line by line."""
    changed = Patience()  # one for all, so that a test can wait for whichever of several

    def __init__(self, name, arguments, **options):
        self.name, self.lines, self.ended = name, [], False
        self.process = subprocess.Popen(arguments, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                                        preexec_fn=end_with_parent, **options)
        self.reader = threading.Thread(target=self._read, daemon=True)
        self.reader.start()

    def _read(self):
        with self.process.stdout as stream:
            for line in stream:
                with self.changed:
                    self.lines.append(line.decode("utf-8", "replace").rstrip("\n"))
                    self.changed.notify_all()
        self.process.wait()
        with self.changed:
            self.ended = True
            self.changed.notify_all()

    @property
    def pid(self):
        return self.process.pid

    def log(self):
        with self.changed:
            return "\n".join(self.lines)

    def matching(self, pattern):
        with self.changed:
            return [line for line in self.lines if re.search(pattern, line)]

    def wait_line(self, pattern, count=1, deadline_s=DEADLINE_S):
        """The count-th line that matches."""
        def ask():
            found = [line for line in self.lines if re.search(pattern, line)]
            if len(found) >= count:
                return found[count - 1]
            if self.ended:
                raise AssertionError(f"{self.name} has ended without a line like {pattern!r}:\n" + "\n".join(self.lines))
            return None
        return self.changed.wait_until(ask, lambda: f"{self.name}: line {count} like {pattern!r} in:\n{self.log()}", deadline_s)

    def signal(self, number):
        self.process.send_signal(number)

    def wait_exit(self, deadline_s=DEADLINE_S):
        self.changed.wait_until(lambda: self.ended, f"end of {self.name}", deadline_s)
        return self.process.returncode

    def kill(self):
        if self.process.poll() is None:
            self.process.kill()
        return self.wait_exit()


class Broker:
    def __init__(self, folder, extra="allow_anonymous true\npersistence false\n"):
        self.file, self.extra, self.port, self.process = os.path.join(folder, "broker.conf"), extra, free_port(), None
        self.start()

    def start(self):
        """On the same port again after an end; on another one only where somebody else took the first one."""
        for _ in range(5):
            with open(self.file, "w", encoding="utf-8") as file:
                file.write(f"listener {self.port} 127.0.0.1\nlog_dest stderr\nset_tcp_nodelay true\nmax_packet_size 20000000\n{self.extra}")
            process = Process("mosquitto", [find_program("mosquitto"), "-c", self.file])
            try:
                process.wait_line(r"mosquitto version .* running")
            except AssertionError:
                process.kill()
                self.port = free_port() if self.process is None else self.port
                continue
            self.process = process
            return
        raise AssertionError(f"no broker on port {self.port}:\n{process.log()}")

    def kill(self):
        self.process.kill()


NPM = os.path.join(SOURCE, "tests", "npm")
OTHER_BROKER_MISSING = not shutil.which("node") or not os.path.isdir(os.path.join(NPM, "node_modules"))


class OtherBroker:
    """A second broker, independent of the first, from the npm registry; it speaks MQTT 3.1.1, to which granaryd falls back by itself."""

    def __init__(self):
        self.port, self.process = free_port(), None
        self.start()

    def start(self):
        self.process = Process("node broker", ["node", os.path.join(NPM, "broker.js"), str(self.port)])
        self.process.wait_line("broker running")

    def kill(self):
        self.process.kill()


# GRANARY_TEST_BROKER=other runs any system test against the second broker; what needs the first one's own says so.
ON_OTHER_BROKER = os.environ.get("GRANARY_TEST_BROKER") == "other"


def needs_first_broker(why):
    """For a test, or a class of tests: skipped, by name and with the reason, on the second broker."""
    return unittest.skipIf(ON_OTHER_BROKER, f"needs the first broker: {why}")


class Wire:
    """A cable between granaryd and the broker that can be frozen (both ends stay open, nothing passes), slow, or cut."""

    def __init__(self, target_port):
        self.target_port, self.bytes_per_s, self.pairs = target_port, None, []
        self.open = threading.Event()
        self.open.set()
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self):
        while True:
            try:
                near, _ = self.listener.accept()
                far = socket.create_connection(("127.0.0.1", self.target_port))
            except OSError:
                if self.listener.fileno() < 0:
                    return
                near.close()
                continue
            self.pairs += [near, far]
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self._carry, args=(one, other), daemon=True).start()

    def _carry(self, one, other):
        pause = threading.Event()
        try:
            while True:
                data = one.recv(4096 if self.bytes_per_s is None else self.bytes_per_s // 40)
                self.open.wait()
                if not data:
                    break
                if self.bytes_per_s is not None:
                    pause.wait(len(data) / self.bytes_per_s)
                other.sendall(data)
        except OSError:
            pass
        self._end(one)
        self._end(other)

    @staticmethod
    def _end(end):
        try:
            end.shutdown(socket.SHUT_RDWR)
        except OSError:
            pass  # the other side was first

    def freeze(self):
        self.open.clear()

    def thaw(self):
        self.open.set()

    def cut(self):
        for end in self.pairs:
            self._end(end)

    def close(self):
        self.listener.close()
        self.thaw()
        self.cut()
        for end in self.pairs:
            end.close()


Message = collections.namedtuple("Message", "topic payload retained expiry_s at")


class Watcher:
    """Sees every message on the broker, as a hub with MQTT 5 would, and publishes for the test."""

    def __init__(self, port, user=None, password=None, filters=("#",), protocol=mqtt.MQTTv5):
        self.messages, self.changed, self.subscribed, self.acknowledged = [], Patience(), False, set()
        self.filters, self.protocol = filters, protocol
        self.client = mqtt.Client(client_id=f"watcher-{os.getpid()}-{id(self)}", protocol=protocol)
        if user:
            self.client.username_pw_set(user, password)
        self.client.max_inflight_messages_set(1000)
        self.client.on_connect, self.client.on_subscribe = self._connected, self._subscribed
        self.client.on_message, self.client.on_publish = self._message, self._published
        self.client.connect("127.0.0.1", port, keepalive=60)
        self.client.socket().setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.client.loop_start()
        self.changed.wait_until(lambda: self.subscribed, "subscription of the watcher")

    def _connected(self, client, _userdata, _flags, reason, _properties=None):
        if reason == 0:
            how = SubscribeOptions(qos=1, retainAsPublished=True) if self.protocol == mqtt.MQTTv5 else 1
            client.subscribe([(name, how) for name in self.filters])

    def _subscribed(self, *_arguments):
        with self.changed:
            self.subscribed = True
            self.changed.notify_all()

    def _published(self, _client, _userdata, identifier):
        with self.changed:
            self.acknowledged.add(identifier)
            self.changed.notify_all()

    def _message(self, _client, _userdata, message):
        expiry = getattr(getattr(message, "properties", None), "MessageExpiryInterval", None)
        with self.changed:
            self.messages.append(Message(message.topic, message.payload, bool(message.retain), expiry, time.monotonic()))
            self.changed.notify_all()

    def publish(self, topic, payload, retained=False):
        """Returns once the broker has it."""
        identifier = self.client.publish(topic, payload, qos=1, retain=retained).mid
        self.changed.wait_until(lambda: identifier in self.acknowledged, f"the broker's word for {topic}")

    def send(self, topic, payload):
        """Without waiting. QoS 0, because an acknowledgement that granaryd owes the broker first would hold its own messages up
        for as long as TCP waits to acknowledge small packets: 40 ms in each step."""
        self.client.publish(topic, json.dumps(payload) if isinstance(payload, dict) else payload, qos=0)

    def mark(self):
        """Where to look from, for messages that are still to come."""
        with self.changed:
            return len(self.messages)

    def since(self, mark, topic=r".*"):
        with self.changed:
            return [message for message in self.messages[mark:] if re.fullmatch(topic, message.topic)]

    def wait(self, topic, accept=lambda payload: True, mark=0, deadline_s=DEADLINE_S):
        """The first message on the topic from `mark` on whose text is accepted."""
        def ask():
            return next((m for m in self.messages[mark:] if m.topic == topic and accept(m.payload.decode("utf-8", "replace"))), None)
        def tell():
            return f"{topic}; there came {[m.payload[:120] for m in self.messages[mark:] if m.topic == topic][-5:]}"
        return self.changed.wait_until(ask, tell, deadline_s)

    def latest(self, topic):
        """Text last seen on the topic, None where there is none."""
        with self.changed:
            found = [message for message in self.messages if message.topic == topic]
        return found[-1].payload.decode() if found else None

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


Answer = collections.namedtuple("Answer", "status body headers act", defaults=(200, b"", None, None))


class RateServer:
    """Serves what the test scripts, path by path, and notes who asked for what. The last answer of a path is repeated."""

    def __init__(self, port=0):
        self.answers, self.requests, self.lock = {}, [], Patience()
        self.gate = threading.Event()  # opened at the end, so that no answer holds the test back
        outer = self

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_GET(self):  # pylint: disable=invalid-name
                outer.serve(self)

            def log_message(self, *_arguments):  # pylint: disable=arguments-differ
                pass

        self.server = http.server.ThreadingHTTPServer(("127.0.0.1", port), Handler)
        self.server.daemon_threads = True
        self.port = self.server.server_address[1]
        self.thread = threading.Thread(target=self.server.serve_forever, args=(0.05,), daemon=True)
        self.thread.start()

    def answer(self, path, *answers):
        with self.lock:
            self.answers[path] = list(answers)

    def count(self, path=None):
        with self.lock:
            return sum(path in (None, asked) for asked, _ in self.requests)

    def serve(self, handler):
        with self.lock:
            self.requests.append((handler.path, dict(handler.headers)))
            script = self.answers.get(handler.path, [Answer(404, b"not there")])
            answer = script[0] if len(script) == 1 else script.pop(0)
            self.lock.notify_all()
        try:
            if answer.act:
                answer.act(handler)
                return
            handler.send_response(answer.status)
            for name, value in (answer.headers or {}).items():
                handler.send_header(name, value)
            if answer.status != 304:
                handler.send_header("Content-Length", str(len(answer.body)))
            handler.end_headers()
            handler.wfile.write(answer.body)
        except OSError:
            pass  # the asker has had enough

    def wait_requests(self, path, count):
        self.lock.wait_until(lambda: sum(path == asked for asked, _ in self.requests) >= count, f"request {count} for {path}")

    def close(self):
        if self.gate.is_set():
            return
        self.gate.set()
        self.server.shutdown()
        self.server.server_close()
        self.thread.join()


def table(day, prices, hours=1.0):
    """A rate table of a UTC day as JSON: one price per slot of so many hours."""
    start = utc(f"{day} 00:00")
    def text(index):
        return datetime.datetime.fromtimestamp(start + index * hours * 3600, datetime.timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")
    rows = [{"from": text(i), "to": text(i + 1), "price": price} for i, price in enumerate(prices)]
    return json.dumps({"intervals": rows}).encode()


BANDS = """{ kind = "bands"; name = "three bands"; bands = (
            { from = "00:00"; to = "06:00"; price_per_kwh = 0.10; },
            { from = "17:00"; to = "21:00"; price_per_kwh = 0.40; },
            { price_per_kwh = 0.25; } ); }"""

MAPPING = 'format = "json"; list = "/intervals"; start = "/from"; end = "/to"; price = "/price"; unit = "per_kwh";'


def http_source(port, extra="", path="/day-{year}-{month}-{day}.json"):
    return f'{{ kind = "http"; name = "published"; url = "http://127.0.0.1:{port}{path}"; {MAPPING} {extra} }}'


CONFIG = """site = {{ name = "Test house"; timezone = "Europe/Lisbon"; latitude_deg = 38.7; longitude_deg = -9.1; }};
battery = {{ capacity_kwh = 10.0; charge_kw = 3.0; discharge_kw = 4.0; round_trip_efficiency = 0.9; wear_per_kwh = 0.02;
            reserve_percent = 10; }};
grid = {{ import_limit_kw = 13.8; export_limit_kw = 5.0; }};
mqtt = {{ host = "127.0.0.1"; port = {port}; client_id = "{client_id}"; {mqtt} }};
inputs = {{
    state_of_charge = {{ topic = "house/soc"; unit = "%"; }};
    battery_power = {{ topic = "house/battery"; unit = "W"; positive = "charge"; }};
    grid_power = {{ topic = "house/meter"; pointer = "/power"; unit = "W"; positive = "import"; }};
    {inputs}
}};
rates = {{ currency = "EUR"; import = ( {rates} ); export = ( {{ kind = "bands"; name = "feed-in"; bands = ( {{ price_per_kwh = 0.05; }} ); }} ); }};
safety = {{ commanding = {commanding}; answer_s = {answer_s}; {safety} }};
outputs = {{ {outputs} state_directory = "{state}"; }};
"""


class SystemTest(unittest.TestCase):
    """A folder, a broker and a watcher for each test; whatever the test starts is ended with it, and its output shown when it
    fails."""
    maxDiff = None
    broker_extra = None
    protocol = mqtt.MQTTv311 if ON_OTHER_BROKER else mqtt.MQTTv5  # of the watchers
    foreign = False  # the test itself publishes on the device's topics, and not as Homie wants it

    def setUp(self):
        self.watcher, self.processes, self.step_number, self.now = None, [], 0, utc("2041-01-15 02:00")
        self.clock_error, self.synchronised = 0, True  # of the wall clock; ages go by the monotonic one
        self.stepping = 1  # daemons that are to answer each step
        self.house = {"house/soc": "30", "house/battery": "0", "house/meter": '{"power": 400}'}
        self.folder = tempfile.mkdtemp(prefix="granary-test-")
        os.chmod(self.folder, 0o777)  # a broker started by root goes on as somebody else
        self.addCleanup(shutil.rmtree, self.folder, ignore_errors=True)
        os.mkdir(self.path("state"))
        self.addCleanup(self.end_processes)
        self.prepare_broker()
        self.broker = self.start_broker()
        self.processes.append(self.broker)
        self.watcher = self.watch()

    def start_broker(self):
        return OtherBroker() if ON_OTHER_BROKER else Broker(self.folder, *([self.broker_extra.format(folder=self.folder)] if self.broker_extra else []))

    def prepare_broker(self):
        """For what must be in the folder before the broker starts."""

    def path(self, name):
        return os.path.join(self.folder, name)

    def run(self, result=None):
        before = len(result.failures) + len(result.errors)
        super().run(result)
        if len(result.failures) + len(result.errors) > before:
            for process in self.processes:
                if isinstance(process, Process):
                    print(f"---- output of {process.name}, {self.id()}:\n{process.log()}\n----", flush=True)

    def end_processes(self):
        for process in reversed(self.processes):
            process.kill()
        for process in self.processes:
            if isinstance(process, Process):
                self.assertNotRegex(process.log(), r"Sanitizer|runtime error:")
        if self.foreign:
            return
        seen = [(message.topic, message.payload, message.retained) for message in self.watcher.since(0)] if self.watcher else []
        self.assertEqual(homie.complaints(seen, self.protocol == mqtt.MQTTv5), [])

    def watch(self, **options):
        watcher = Watcher(self.broker.port, **{"protocol": self.protocol, **options})
        self.addCleanup(watcher.close)
        return watcher

    def wire(self):
        wire = Wire(self.broker.port)
        self.addCleanup(wire.close)
        return wire

    def serve_rates(self, port=0):
        server = RateServer(port)
        self.addCleanup(server.close)
        return server

    # ---- the programs

    def config(self, rates=BANDS, commanding=True, file="granary.conf", state=None, **groups):
        """Writes a configuration; mqtt, inputs, safety and outputs add lines to their groups.
        The battery of these tests mostly stands still, whatever is commanded: answer_s 0 lets it."""
        parts = {"answer_s": 0, "mqtt": "", "inputs": "", "safety": "", "outputs": "", **groups}
        port = parts.pop("port", self.broker.port)
        parts.setdefault("client_id", f"granary-{port}")
        text = CONFIG.format(port=port, state=state or self.path("state"), rates=rates,
                             commanding="true" if commanding else "false", **parts)
        with open(self.path(file), "w", encoding="utf-8") as stream:
            stream.write(text)
        return self.path(file)

    def run_daemon(self, config, simulated=True, environment=None, confined=CONFINED):
        """Starts granaryd and waits until it has announced itself to the broker."""
        wrapper = [sys.executable, "-B", os.path.join(SOURCE, "tests/system/confined.py"),
                   os.path.join(SOURCE, "systemd/granaryd.service")]
        arguments = (wrapper if confined else []) + [DAEMON] + (["--clock-topic", "sim/clock"] if simulated else []) + [config]
        daemon = Process("granaryd", arguments, env={**os.environ, "TZ": "UTC", **(environment or {})})
        self.processes.append(daemon)
        daemon.wait_line("connected to the broker")
        return daemon

    def run_tool(self, *arguments, deadline_s=DEADLINE_S):
        return subprocess.run([TOOL, *arguments], stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=deadline_s,
                              check=False)

    def stop(self, daemon):
        """Ends the daemon as systemd does, and insists on a clean end."""
        daemon.signal(signal.SIGTERM)
        self.assertEqual(daemon.wait_exit(), 0, daemon.log())

    # ---- the house and its time

    def publish_house(self):
        for topic, payload in self.house.items():
            if payload is not None:
                self.watcher.send(topic, payload)

    def step(self, seconds=10, readings=True, at=None):
        """Lets simulated time pass: the house's readings, one turn of the daemon, its answers."""
        if readings:
            self.publish_house()
        self.now = at if at is not None else self.now + seconds
        self.step_number += 1
        mark, number = self.watcher.mark(), str(self.step_number)
        self.watcher.send("sim/clock", {"utc_s": self.now + self.clock_error, "step": self.step_number,
                                        "mono_ms": self.now * 1000, "synchronised": self.synchronised})
        def answers():
            return sum(message.payload.decode() == number for message in self.watcher.since(mark, "sim/clock/seen"))
        self.watcher.changed.wait_until(lambda: answers() >= self.stepping, lambda: f"the answer to step {number}")
        return mark

    def begin(self, at=None):
        """The first step, at a moment of its own where one is given."""
        return self.step(at=self.now if at is None else utc(at))

    def live(self, seconds, by=60):
        """Several steps."""
        mark = self.watcher.mark()
        for _ in range(max(1, round(seconds / by))):
            self.step(by)
        return mark

    # ---- what is published

    def value(self, path):
        return self.watcher.latest(f"{ROOT}/{path}")

    def document(self):
        return json.loads(self.value("command/document"))

    def plan(self):
        return json.loads(self.value("plan/slots"))

    def documents_since(self, mark):
        return [json.loads(m.payload) for m in self.watcher.since(mark, f"{ROOT}/command/document")]

    def assert_command(self, kind, fault="none"):
        self.assertEqual((self.document()["command"], self.value("command/band"), self.value("health/fault")), (kind, kind, fault),
                         self.value("command/reason"))
