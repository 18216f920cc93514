"""A headless Chromium, driven by chromedriver's HTTP protocol (W3C WebDriver) and nothing but the standard library."""
import base64
import json
import re
import shutil
import subprocess
import tempfile
import urllib.error
import urllib.request

DRIVER, CHROMIUM = shutil.which("chromedriver"), shutil.which("chromium")
DIRECT = urllib.request.build_opener(urllib.request.ProxyHandler({}))  # whatever proxy the machine has


class Browser:
    """Use as a context. Everything that it keeps lies in a folder of its own, which is removed."""

    def __enter__(self):
        self.folder = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        self.driver = subprocess.Popen([DRIVER, "--port=0"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        try:
            self.address = self._find_address()
            self.session = "/session/" + self._call("POST", "/session", {"capabilities": {"alwaysMatch": self._wishes()}})["sessionId"]
        except BaseException:
            self._stop()
            raise
        return self

    def _find_address(self):
        for line in self.driver.stdout:
            found = re.search(r"successfully on port (\d+)", line)
            if found:
                return f"http://127.0.0.1:{found[1]}"
        raise RuntimeError("chromedriver told no port")

    def _wishes(self):
        options = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
                   "--disable-dev-shm-usage", f"--user-data-dir={self.folder.name}"]
        return {"browserName": "chrome", "goog:chromeOptions": {"binary": CHROMIUM, "args": options},
                "goog:loggingPrefs": {"browser": "ALL", "performance": "ALL"}}

    def __exit__(self, *_):
        try:
            self._call("DELETE", self.session)
        except OSError:
            pass
        self._stop()

    def _stop(self):
        self.driver.terminate()
        self.driver.wait(30)
        self.driver.stdout.close()
        self.folder.cleanup()

    def _call(self, method, path, body=None):
        data = json.dumps(body if body is not None else {}).encode() if method == "POST" else None
        request = urllib.request.Request(self.address + path, data, {"Content-Type": "application/json"}, method=method)
        try:
            with DIRECT.open(request, timeout=300) as answer:
                return json.load(answer)["value"]
        except urllib.error.HTTPError as error:
            raise RuntimeError(error.read().decode()) from error

    def open(self, url):
        self._call("POST", self.session + "/url", {"url": url})

    def run(self, script, *arguments):
        """The value that the script returns."""
        return self._call("POST", self.session + "/execute/sync", {"script": script, "args": list(arguments)})

    def devtools(self, command, **parameters):
        return self._call("POST", self.session + "/goog/cdp/execute", {"cmd": command, "params": parameters})

    def log(self, kind):
        """Entries since the last look."""
        return self._call("POST", self.session + "/se/log", {"type": kind})

    def requests(self):
        """Addresses that were asked for since the last look, the browser's own pages apart."""
        messages = [json.loads(entry["message"])["message"] for entry in self.log("performance")]
        urls = [it["params"]["request"]["url"] for it in messages if it["method"] == "Network.requestWillBeSent"]
        return [url for url in urls if not url.startswith("chrome")]

    def size(self, width, height, mobile=False):
        self.devtools("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=mobile)

    def prefer(self, **features):
        """prefer(scheme="dark"): the page's media feature prefers-color-scheme."""
        names = {"scheme": "prefers-color-scheme", "motion": "prefers-reduced-motion"}
        self.devtools("Emulation.setEmulatedMedia", features=[{"name": names[k], "value": v} for k, v in features.items()])

    def picture(self, whole=True):
        """PNG bytes."""
        return base64.b64decode(self.devtools("Page.captureScreenshot", captureBeyondViewport=whole)["data"])

    def paper(self):
        """PDF bytes, A4."""
        return base64.b64decode(self.devtools("Page.printToPDF", paperWidth=8.27, paperHeight=11.69, printBackground=False)["data"])
