"""Answers of a rate server that must not be believed: the last good table stays in force, and the log says what was wrong."""
import json
import signal
import unittest

from harness import Answer, SystemTest, http_source, moment, table, utc

TODAY, TOMORROW = "/day-2041-01-15.json", "/day-2041-01-16.json"
GOOD = table("2041-01-16", [0.2] * 24)


def cut_short(handler):
    handler.send_response(200)
    handler.send_header("Content-Length", str(len(GOOD)))
    handler.end_headers()
    handler.wfile.write(GOOD[:len(GOOD) // 2])


def without_end(handler):
    """16 MB in chunks, no length told beforehand."""
    handler.protocol_version = "HTTP/1.1"
    handler.send_response(200)
    handler.send_header("Transfer-Encoding", "chunked")
    handler.end_headers()
    for _ in range(1024):
        handler.wfile.write(b"4000\r\n" + b" " * 0x4000 + b"\r\n")


def to_itself(handler):
    handler.send_response(302)
    handler.send_header("Location", handler.path)
    handler.end_headers()


def changed(**changes):
    """The good table with other members in its sixth slot."""
    document = json.loads(GOOD)
    document["intervals"][5].update(changes)
    return Answer(body=json.dumps(document).encode())


def without_slot(index):
    document = json.loads(GOOD)
    del document["intervals"][index]
    return Answer(body=json.dumps(document).encode())


BAD = {
    "a page instead of a table": Answer(body=b"<!DOCTYPE html><html><body>Please sign in</body></html>"),
    "an empty body": Answer(body=b""),
    "half a document": Answer(body=GOOD[:len(GOOD) // 2]),
    "a transfer that breaks off": Answer(act=cut_short),
    "a declared length of 2 MB": Answer(body=b" " * (2 << 20)),
    "a body without end": Answer(act=without_end),
    "a circle of redirects": Answer(act=to_itself),
    "a redirect to a file": Answer(302, headers={"Location": "file:///etc/passwd"}),
    "today's table again": Answer(body=table("2041-01-15", [0.2] * 24)),
    "a missing slot": without_slot(5),
    "a missing last hour": without_slot(23),
    "a price that is text": changed(price="n/a"),
    "a price that is not there": changed(price=None),
    "a price beyond all plausible ones": changed(price=250.0),
    "all prices a hundred times too large": Answer(body=table("2041-01-16", [20.0] * 24)),
    "a slot that ends before it begins": changed(to="2041-01-16T01:00:00Z"),
    "two prices for one hour": changed(**{"from": "2041-01-16T04:00:00Z"}),
    "an object without the list": Answer(body=b'{"error": "quota"}'),
    "a forbidden page": Answer(403, b"no"),
}


class BadAnswers(SystemTest):
    def test_none_of_them_is_believed_and_the_last_good_table_stays(self):
        server = self.serve_rates()
        server.answer(TODAY, Answer(body=table("2041-01-15", [0.21, 0.22] * 12)))
        daemon = self.run_daemon(self.config(http_source(server.port, 'fetch_from = "00:00";')))
        self.begin("2041-01-15 01:00")
        for name, answer in BAD.items():
            with self.subTest(answer=name):
                server.answer(TOMORROW, answer)
                warned, asked = len(daemon.matching("warning: rates: published: ")), server.count(TOMORROW)
                # Each start asks at once, where a running daemon would wait for an hour after some of these.
                reloaded = len(daemon.matching("was read again"))
                daemon.signal(signal.SIGHUP)
                daemon.wait_line("was read again", reloaded + 1)
                self.live(60)
                self.assertGreater(server.count(TOMORROW), asked)
                daemon.wait_line("warning: rates: published: ", warned + 1)
                self.assertEqual(self.value("health/fault"), "none")
                self.assertEqual(moment(self.value("health/rates-until")), utc("2041-01-16 00:00"))
        server.answer(TOMORROW, Answer(body=GOOD))
        self.live(7200)
        self.assertEqual(moment(self.value("health/rates-until")), utc("2041-01-17 00:00"))


if __name__ == "__main__":
    unittest.main()
