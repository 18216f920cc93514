"""granaryd under the restrictions of its unit. All system tests run so with GRANARY_CONFINED=1 in the environment."""
import importlib.util
import os
import subprocess
import sys
import unittest

from harness import SOURCE, SystemTest, Answer, http_source, table

FORBIDDEN = {"a packet socket": "import socket; socket.socket(socket.AF_PACKET, socket.SOCK_RAW)",
             "memory to write and to execute": "import mmap; mmap.mmap(-1, 4096, prot=mmap.PROT_READ | mmap.PROT_WRITE | mmap.PROT_EXEC)",
             "another owner": "import os; os.chown('.', 1, 1)",
             "another root": "import os; os.chroot('/')",
             "a mount": "import ctypes, os; l = ctypes.CDLL(None, use_errno=True)\n"
                        "if l.mount(b'none', b'/mnt', b'tmpfs', 0, None): raise OSError(ctypes.get_errno(), 'mount')",
             "the clock": "import time; time.clock_settime(time.CLOCK_REALTIME, time.time())"}


@unittest.skipUnless(importlib.util.find_spec("seccomp"), "python3-seccomp is not here")
class Confined(SystemTest):
    def run_confined(self, code):
        return subprocess.run([sys.executable, "-B", os.path.join(SOURCE, "tests/system/confined.py"),
                               os.path.join(SOURCE, "systemd/granaryd.service"), "/usr/bin/python3", "-c", code],
                              cwd=self.folder, capture_output=True, text=True, check=False)

    def test_what_the_unit_forbids_is_forbidden_here(self):
        self.assertEqual(self.run_confined("print('all is well')").returncode, 0)
        for what, code in FORBIDDEN.items():
            with self.subTest(what=what):
                done = self.run_confined(code)
                self.assertNotEqual(done.returncode, 0)
                self.assertRegex(done.stderr, "PermissionError|Operation not permitted")

    def test_granaryd_needs_nothing_of_it(self):
        server = self.serve_rates()
        server.answer("/day.json", Answer(body=table("2041-01-15", [0.05] * 6 + [0.5] * 18)))
        daemon = self.run_daemon(self.config(rates=http_source(server.port, path="/day.json")), confined=True)
        self.begin()
        self.live(1200)
        self.assert_command("charge")
        self.stop(daemon)
        self.assertEqual(daemon.matching("ot permitted"), [])
        self.assertGreater(os.path.getsize(self.path("state/granary.db")), 0)

    def test_so_by_the_systems_own_clock(self):
        daemon = self.run_daemon(self.config(), simulated=False, confined=True)
        self.watcher.wait("homie/5/granary/health/heartbeat")
        self.stop(daemon)


if __name__ == "__main__":
    unittest.main()
