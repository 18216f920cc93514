"""With the system's clock: a simulated one stands still while the broker is away, and the time-outs of transfers are real."""
import json
import time
import unittest

from harness import Answer, BANDS, ROOT, SystemTest, http_source, moment, table


class BrokenConnection(SystemTest):
    def test_after_a_broken_connection_commands_resume_only_when_all_has_been_well_for_a_while(self):
        server, today = self.serve_rates(), time.strftime("%Y-%m-%d", time.gmtime())
        hour = time.gmtime().tm_hour
        prices = [0.05 if hour <= i < hour + 3 else 0.60 for i in range(72)]
        server.answer("/rates.json", Answer(body=table(today, prices)))
        daemon = self.run_daemon(self.config(http_source(server.port, path="/rates.json"),
                                             safety="trust_clock = true; recovery_s = 10; dwell_s = 0;"), simulated=False)
        self.publish_house()
        self.watcher.wait(f"{ROOT}/command/band", lambda text: text == "charge")
        before = json.loads(self.watcher.wait(f"{ROOT}/command/document", lambda text: '"charge"' in text).payload)
        told = len(daemon.matching("warning: follow: no connection to the broker"))
        self.broker.kill()
        daemon.wait_line("warning: follow: no connection to the broker", told + 1)
        restarted = int(time.time())
        self.broker.start()
        self.watcher = self.watch()
        self.watcher.wait(f"{ROOT}/$state", lambda text: text == "ready")
        self.publish_house()
        self.watcher.wait(f"{ROOT}/health/fault", lambda text: text == "recovering")
        self.watcher.wait(f"{ROOT}/command/band", lambda text: text == "charge")
        self.watcher.wait(f"{ROOT}/command/document", lambda text: '"charge"' in text)
        documents = self.documents_since(0)
        self.assertEqual(documents[0]["command"], "follow")
        for document in documents:
            self.assertGreater(document["sequence"], before["sequence"])
            self.assertGreaterEqual(moment(document["issued"]), restarted)
        self.stop(daemon)


class SlowAnswers(SystemTest):
    def test_a_server_that_stalls_holds_up_neither_the_control_loop_nor_the_end(self):
        server = self.serve_rates()

        def stall(handler):
            handler.send_response(200)
            handler.send_header("Content-Length", "1000")
            handler.end_headers()
            handler.wfile.write(b"{")
            handler.wfile.flush()
            server.gate.wait(120)

        server.answer("/rates.json", Answer(act=stall))
        rates = http_source(server.port, 'fetch_from = "00:00";', "/rates.json") + ", " + BANDS
        daemon = self.run_daemon(self.config(rates, safety="trust_clock = true;"), simulated=False)
        server.wait_requests("/rates.json", 1)
        self.publish_house()
        self.watcher.wait(f"{ROOT}/health/fault", lambda text: text == "none", deadline_s=30)
        self.assertEqual(daemon.matching("rates: published: "), [])
        daemon.wait_line(r"warning: rates: published: ", deadline_s=45)
        started = time.monotonic()
        self.stop(daemon)
        self.assertLess(time.monotonic() - started, 20)


if __name__ == "__main__":
    unittest.main()
