"""A shot, a daemon, a loom and a browser, for the tests beside this file."""

import http.client
import json
import os
import pathlib
import re
import shutil
import signal
import subprocess
import tempfile
import time

TOP = pathlib.Path(__file__).resolve().parents[2]
BUILD = pathlib.Path(os.environ.get("SELVAGE_BUILD", TOP / ".build/release"))
CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
DRIVER = shutil.which("chromedriver") or "/usr/bin/chromedriver"


def until(what, check, seconds=60):
    """Waits for something to be true; what it is goes into the message. Returns what check gave."""
    end = time.monotonic() + seconds
    last = None
    while time.monotonic() < end:
        try:
            got = check()
            if got:
                return got
        except Exception as error:  # An element that is not there yet; told if it never comes.
            last = error
        time.sleep(0.05)
    raise AssertionError(f"never came to pass: {what}" + (f" ({last})" if last else ""))


class Studio:
    """Everything in a folder of its own; nothing is left running or lying about."""

    def __init__(self, size="480x270", frames=8):
        self.folder = pathlib.Path(tempfile.mkdtemp(prefix="selvage-loom-"))
        self.stack = self.folder / "apiary_010.stack"
        self.frames = frames
        self.daemon = None
        self.daemon_port = 0
        self.looms = []
        scene = BUILD / "tests/scene/selvage-scene"
        for more in (["--out", self.folder / "shot"], ["--stack", self.stack]):
            subprocess.run([scene, "--size", size, "--frames", str(frames), *more], check=True, capture_output=True)
        self.start_daemon()

    def start_daemon(self):
        ports = self.folder / "ports.json"
        ports.unlink(missing_ok=True)
        self.daemon = subprocess.Popen(
            [BUILD / "server/selvaged", "--state", self.folder / "state", "--root", self.folder, "--listen",
             f"127.0.0.1:{self.daemon_port}", "--http", "127.0.0.1:0", "--port-file", ports],
            stdout=open(self.folder / "selvaged.log", "a"), stderr=subprocess.STDOUT)
        until("the daemon is there", lambda: ports.exists() and json.loads(ports.read_text()))
        self.daemon_port = json.loads(ports.read_text())["grpc"]

    def stop_daemon(self):
        if self.daemon is not None:
            self.daemon.send_signal(signal.SIGTERM)
            self.daemon.wait(30)
            self.daemon = None

    def selvage(self, *arguments, check=True):
        run = subprocess.run([BUILD / "client/selvage", "--server", f"127.0.0.1:{self.daemon_port}", *map(str, arguments)],
                             cwd=self.folder, capture_output=True, text=True)
        if check and run.returncode != 0:
            raise AssertionError(f"selvage {arguments}: {run.stderr}{run.stdout}")
        return run

    def loom(self, *arguments):
        """Starts a loom; the address with its key."""
        page = os.environ.get("SELVAGE_LOOM_PAGE")
        process = subprocess.Popen(
            [BUILD / "client/selvage", "--server", f"127.0.0.1:{self.daemon_port}", "loom", *map(str, arguments), "--no-open",
             *(["--page-from", page] if page else [])],
            cwd=self.folder, stdout=subprocess.PIPE, stderr=open(self.folder / "loom.log", "a"), text=True)
        self.looms.append(process)
        for line in process.stdout:
            found = re.search(r"http://127\.0\.0\.1:\d+/\?key=\S+", line)
            if found:
                return found.group(0)
        raise AssertionError(f"the loom printed no address: {(self.folder / 'loom.log').read_text()}")

    def look(self, name, frame, *arguments):
        """What the command line shows of it: the bytes of a PNG."""
        out = self.folder / "look.png"
        self.selvage("look", self.stack, name, "--frame", frame, "-o", out, *arguments)
        return out.read_bytes()

    def close(self):
        for process in self.looms:
            process.send_signal(signal.SIGTERM)
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
        self.stop_daemon()
        shutil.rmtree(self.folder, ignore_errors=True)


def browser(folder, width=1600, height=900):
    from selenium import webdriver
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    options = Options()
    options.binary_location = CHROMIUM
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
                     "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-extensions",
                     "--force-device-scale-factor=1", "--hide-scrollbars=false", f"--window-size={width},{height}",
                     f"--user-data-dir={folder / 'browser'}",
                     # Nothing but this machine can be reached.
                     "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(service=Service(DRIVER), options=options)
    driver.set_script_timeout(60)
    return driver


def request(address, method, path, headers=None, body=None):
    """A request as no browser would send it: status, headers, body."""
    host, port = re.match(r"http://([\d.]+):(\d+)", address).groups()
    connection = http.client.HTTPConnection(host, int(port), timeout=30)
    headers = dict(headers or {})
    connection.putrequest(method, path, skip_host="Host" in headers, skip_accept_encoding=True)
    for name, value in headers.items():
        connection.putheader(name, value)
    if body is not None:
        connection.putheader("Content-Length", str(len(body)))
    connection.endheaders(body)
    answer = connection.getresponse()
    got = answer.status, dict(answer.getheaders()), answer.read()
    connection.close()
    return got
