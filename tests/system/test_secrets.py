"""Passwords and access keys reach those they are for, and nobody else: no log line, no topic, no output of the tool."""
import datetime
import os
import subprocess
import unittest

from harness import Answer, DAEMON, Process, SystemTest, find_program, http_source, table, needs_first_broker

PASSWORD, KEY, QUERY_KEY = "Hemlock-4711", "Foxglove-0815", "Nightshade-2342"


@needs_first_broker("its passwords")
class Secrets(SystemTest):
    broker_extra = "allow_anonymous false\npassword_file {folder}/users\npersistence false\n"

    def watch(self, **options):
        return super().watch(**{"user": "granary", "password": PASSWORD, **options})

    def write_secret(self, name, text):
        with open(self.path(name), "w", encoding="utf-8") as file:
            file.write(text)
        os.chmod(self.path(name), 0o600)
        return self.path(name)

    def prepare_broker(self):
        subprocess.run([find_program("mosquitto_passwd"), "-c", "-b", self.path("users"), "granary", PASSWORD], check=True,
                       capture_output=True)
        os.chmod(self.path("users"), 0o644)

    def configure(self, password=PASSWORD):
        self.write_secret("password", password + "\n")
        self.write_secret("headers", f"Authorization: Bearer {KEY}\nX-House: mill\n")
        source = http_source(self.server.port, f'headers_file = "{self.path("headers")}"; fetch_from = "00:00";',
                             f"/day-{{year}}-{{month}}-{{day}}.json?key={QUERY_KEY}")
        return self.config(source, mqtt=f'user = "granary"; password_file = "{self.path("password")}";')

    def assert_no_secret(self, text):
        for secret in (PASSWORD, KEY, QUERY_KEY):
            self.assertNotIn(secret, text)

    def serve_present(self):
        """For the tool, which goes by the system's clock; three days in each table, so that no time zone matters."""
        now = datetime.datetime.now(datetime.timezone.utc).date()
        for days in (-1, 0, 1):
            day, before = now + datetime.timedelta(days=days), now + datetime.timedelta(days=days - 1)
            self.server.answer(f"/day-{day}.json?key={QUERY_KEY}", Answer(body=table(before.isoformat(), [0.2, 0.3] * 36)))

    def test_secrets_are_used_and_never_told(self):
        self.server = self.serve_rates()
        path, tomorrow = f"/day-2041-01-15.json?key={QUERY_KEY}", f"/day-2041-01-16.json?key={QUERY_KEY}"
        self.server.answer(path, Answer(body=table("2041-01-15", [0.05] * 6 + [0.4] * 18)))
        self.serve_present()
        daemon = self.run_daemon(self.configure())
        self.begin()
        self.assert_command("charge")
        self.server.answer(tomorrow, Answer(401, b"who are you?"))
        self.live(7500)
        self.server.answer(tomorrow, Answer(body=f"{KEY} {QUERY_KEY}".encode()))
        self.live(7500)
        asked = [headers for path, headers in self.server.requests]
        self.assertGreaterEqual(len(asked), 3)
        for headers in asked:
            self.assertEqual((headers.get("Authorization"), headers.get("X-House")), (f"Bearer {KEY}", "mill"))
        self.assertTrue(daemon.matching("warning: rates: "))
        self.stop(daemon)
        self.assert_no_secret(daemon.log())
        for message in self.watcher.since(0):
            self.assert_no_secret(message.topic + message.payload.decode("utf-8", "replace"))
        for arguments in (["check"], ["check", "--live", "--seconds", "2"], ["plan"], ["plan", "--json"]):
            run = self.run_tool(*arguments, self.path("granary.conf"))
            self.assert_no_secret(run.stdout + run.stderr)
            self.assertIn("Test house", run.stdout, run.stderr)

    def test_a_wrong_password_is_called_refused_and_not_repeated(self):
        self.server = self.serve_rates()
        wrong = PASSWORD + "-wrong"
        file = self.configure(wrong)
        daemon = Process("granaryd", [DAEMON, "--clock-topic", "sim/clock", file])
        self.processes.append(daemon)
        line = daemon.wait_line("no connection to the broker")
        self.assertRegex(line.lower(), "not authori|user|password")
        self.stop(daemon)
        self.assert_no_secret(daemon.log())

    def test_check_says_that_others_may_read_a_secret(self):
        self.server = self.serve_rates()
        file = self.configure()
        self.assertNotIn("may read", self.run_tool("check", file).stdout)
        os.chmod(self.path("password"), 0o644)
        self.assertRegex(self.run_tool("check", file).stdout, r"may read .*password")


if __name__ == "__main__":
    unittest.main()
