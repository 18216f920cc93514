"""Each call fails once: a preloaded library (tests/failing) makes the n-th allocation, write, fsync, SQLite, curl or Paho call of a
short life of granaryd fail. It may refuse to start and say so; it never crashes, never commands what it should not, and leaves the
house with `follow`.

    GRANARY_FAILURES=KIND[/STRIDE[+FIRST]] test_failures.py     every n, or one in STRIDE from FIRST on; without it a handful of each kind"""
import json
import os
import random
import re
import signal
import sys
import unittest

from harness import BUILD, DAEMON, ROOT, Answer, Process, SystemTest, http_source, table, utc

LIBRARY = os.path.join(BUILD, "tests", "libfailing.so")
ALLOWED = {("follow", 0), ("charge", 3000)}  # of the short life: a night at a tenth of the usual price
STEPS = 12
# Crashes inside these libraries, on an allocation of their own that they do not look at. The last will says follow all the same.
LIBRARIES = ("libpaho-mqtt3as", "libcrypto", "libssl", "libcurl")


class Failures(SystemTest):
    def setUp(self):
        super().setUp()
        self.server = self.serve_rates()
        self.server.answer("/day.json", Answer(body=table("2041-01-15", [0.05] * 6 + [0.5] * 18)))
        self.rates = http_source(self.server.port, path="/day.json")
        self.events = "events = { record = true; };"
        self.library_crashes = []

    def spawn(self, kind, n):
        state = self.path(f"state/{kind}-{n}")
        os.mkdir(state)
        config = self.config(rates=self.rates, state=state, client_id="granary-failing")
        with open(config, "a", encoding="utf-8") as stream:
            stream.write(self.events)
        environment = {**os.environ, "TZ": "UTC", "LD_PRELOAD": LIBRARY, "GRANARY_FAIL": f"{kind}:{n}",
                       "GRANARY_FAIL_CALLS": self.path("calls"),
                       "ASAN_OPTIONS": os.environ.get("ASAN_OPTIONS", "") + ":verify_asan_link_order=0"}
        daemon = Process(f"granaryd, call {n} of {kind} failing", [DAEMON, "--clock-topic", "sim/clock", config], env=environment)
        self.processes = self.processes[:1] + [daemon]  # those before have ended
        return daemon

    def try_step(self, daemon, deadline_s=0.4):
        """A step that need not be answered: its message, or the answer, may be what was lost."""
        self.publish_house()
        self.now += 60
        self.step_number += 1
        number = str(self.step_number)
        self.watcher.send("sim/clock", {"utc_s": self.now, "step": self.step_number, "mono_ms": self.now * 1000, "synchronised": True})
        def answered():
            return daemon.ended or any(m.payload.decode() == number for m in self.watcher.messages[-60:] if m.topic == "sim/clock/seen")
        try:
            self.watcher.changed.wait_until(answered, "answer", deadline_s)
        except AssertionError:
            pass

    def commands_since(self, mark):
        return [(d["command"], d["power_w"]) for d in self.documents_since(mark)]

    def live_shortly(self, kind, n):
        """Returns how many calls there were of each kind."""
        daemon, mark = self.spawn(kind, n), self.watcher.mark()
        try:
            daemon.wait_line("connected to the broker", deadline_s=50)
        except AssertionError:
            if not daemon.ended:
                raise
        commanded = self.live_steps(daemon, mark)
        daemon.signal(signal.SIGTERM)
        status = daemon.wait_exit()
        self.judge(daemon, status, mark, commanded)
        with open(self.path("calls"), encoding="utf-8") as stream:
            return {line.split()[0]: int(line.split()[1]) for line in stream}

    def live_steps(self, daemon, mark):
        """At least a few, and then until the battery is commanded (again). Returns the last command."""
        self.now = utc("2041-01-15 02:00")
        last, steps = [], 0
        while not daemon.ended and (steps < STEPS or (last != [("charge", 3000)] and steps < 90)):
            self.try_step(daemon)
            steps += 1
            last = self.commands_since(mark)[-1:]
        return last

    def judge(self, daemon, status, mark, commanded):
        log = f"status {status}\n{daemon.log()}"
        self.assertNotRegex(log, "Sanitizer|runtime error:")
        self.assertLessEqual(set(self.commands_since(mark)), ALLOWED, log)
        if self.watcher.since(mark, f"{ROOT}/command/document"):
            self.watcher.wait(f"{ROOT}/command/document", lambda text: json.loads(text)["command"] == "follow",
                              self.watcher.mark() - 1 - self.count_after(mark), deadline_s=20)
        if status < 0:
            self.assertRegex(log, "crashed at")
            top = re.search(r"crashed at:\n(?:[^\n]*libfailing[^\n]*\n)+(?:[^\n]*libc\.so[^\n]*\n)*([^\n]*)", log)
            self.assertTrue(top and any(name in top.group(1) for name in LIBRARIES), log)
            self.library_crashes.append(f"{daemon.name}: {top.group(1)}")
        elif status > 0:
            self.assertRegex(log, r"(?m)^error: ", log)
        elif re.search(r"made to fail:[^!]*libpaho[^!]*connected to", log) and not commanded:
            self.library_crashes.append(f"{daemon.name}: deaf before the first message of its simulated clock")
        else:
            self.assertEqual(commanded, [("charge", 3000)], log)

    def count_after(self, mark):
        """Messages since the last document."""
        messages = self.watcher.since(mark)
        return next(i for i, m in enumerate(reversed(messages)) if m.topic == f"{ROOT}/command/document")

    def fail_each(self, kind, stride, first):
        n, failed, reached = first, 0, True
        while reached:
            with self.subTest(kind=kind, n=n):
                calls = self.live_shortly(kind, n)[kind]
                reached = calls >= n
            failed += reached
            n += stride
        print(f"{kind}: {calls} calls, {failed} of them failed, {len(self.library_crashes)} ended inside a library", flush=True)
        for text in self.library_crashes:
            print(text, flush=True)

    def test_a_call_that_fails_ends_in_an_honest_refusal_or_goes_unnoticed(self):
        asked = re.fullmatch(r"([a-z]+)(?:/(\d+)(?:\+(\d+))?)?", os.environ.get("GRANARY_FAILURES", ""))
        if asked:
            self.fail_each(asked.group(1), int(asked.group(2) or 1), int(asked.group(3) or 1))
            return
        seed = random.randrange(10**6)
        print(f"seed {seed}", file=sys.stderr, flush=True)
        chance = random.Random(seed)
        for kind, calls in self.live_shortly("memory", 10**9).items():
            self.assertGreater(calls, 4, kind)
            for n in chance.sample(range(1, calls + 1), 2):
                with self.subTest(kind=kind, n=n):
                    self.live_shortly(kind, n)


if __name__ == "__main__":
    unittest.main()
