"""Runs a program under those restrictions of systemd/granaryd.service that need no systemd as the first process: the list of system
calls, the address families, no memory that is both writable and executable, no capability, no new privileges.

    confined.py UNIT PROGRAM ARGUMENT ..."""
import configparser
import ctypes
import os
import re
import signal
import socket
import subprocess
import sys

import seccomp

PR_SET_PDEATHSIG, PR_CAPBSET_DROP, PR_SET_NO_NEW_PRIVS, LAST_CAPABILITY = 1, 24, 38, 63
PROT_WRITE, PROT_EXEC = 2, 4


class Repeated(dict):
    """A key that stands several times adds up, as systemd reads it."""

    def __setitem__(self, key, value):
        if isinstance(value, list) and key in self:
            value = self[key] + value
        super().__setitem__(key, value)


def expand(name):
    """The system calls of a set of systemd's."""
    if not name.startswith("@"):
        return {name}
    text = subprocess.run(["systemd-analyze", "syscall-filter", name], capture_output=True, text=True, check=True).stdout
    words = re.findall(r"^ +(?!#)(\S+)$", text, re.MULTILINE)
    return set().union(*(expand(word) for word in words))


def read_unit(file):
    parser = configparser.RawConfigParser(strict=False, dict_type=Repeated, delimiters=("=",), empty_lines_in_values=False)
    parser.optionxform = str
    parser.read(file)
    return parser["Service"]


def allowed_calls(service):
    calls = set()
    for line in service["SystemCallFilter"].split("\n"):
        names = set().union(*(expand(word) for word in line.lstrip("~").split()))
        calls = calls - names if line.startswith("~") else calls | names
    return calls


def confine(service):
    libc = ctypes.CDLL(None)
    for capability in range(LAST_CAPABILITY + 1):
        libc.prctl(PR_CAPBSET_DROP, capability, 0, 0, 0)
    libc.prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
    libc.prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0)
    rules = seccomp.SyscallFilter(seccomp.ERRNO(1))
    families = [getattr(socket, name) for name in service["RestrictAddressFamilies"].split()]
    for call in allowed_calls(service) - {"socket", "mmap", "mprotect"}:
        try:
            rules.add_rule(seccomp.ALLOW, call)
        except (RuntimeError, ValueError):
            pass  # of another machine, or too new for the library
    for family in families:
        rules.add_rule(seccomp.ALLOW, "socket", seccomp.Arg(0, seccomp.EQ, family))
    for protection in (0, PROT_WRITE, PROT_EXEC):
        for call in ("mmap", "mprotect"):
            rules.add_rule(seccomp.ALLOW, call, seccomp.Arg(2, seccomp.MASKED_EQ, PROT_WRITE | PROT_EXEC, protection))
    rules.load()


if __name__ == "__main__":
    confine(read_unit(sys.argv[1]))
    # A sanitizer's search for leaks looks at its own process by ptrace, which the unit forbids as it should.
    os.environ["ASAN_OPTIONS"] = os.environ.get("ASAN_OPTIONS", "") + ":detect_leaks=0"
    os.execv(sys.argv[2], sys.argv[2:])
