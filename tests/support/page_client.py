"""A running ``fieldcomb serve`` in a process of its own, and one browser's worth of talk with it."""

from __future__ import annotations

import http.client
import json
import math
import os
import random
import re
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

BEGIN = datetime(2026, 3, 1, 9, tzinfo=UTC)
LON, LAT = -28.0, 46.5
FORM_TYPE = "multipart/form-data; boundary=x"
COMMAND = "import sys; from fieldcomb.coverage.commands.cli import main; sys.exit(main())"


def walk(seconds: int, day: int, lane_m: float = 100.0) -> bytes:
    """Make a walk up and down lanes with the slow drift of a receiver, one fix a second."""
    chance = random.Random(day)
    lines, east_off, north_off = [], 0.0, 0.0
    for k in range(seconds):
        lane, along = divmod(k * 0.4, lane_m)
        east = lane * 1.3 + (east_off := 0.99 * east_off + chance.gauss(0, 0.1))
        north = (along if lane % 2 == 0 else lane_m - along) + (north_off := 0.99 * north_off + chance.gauss(0, 0.1))
        lon, lat = LON + east / (111_320 * math.cos(math.radians(LAT))), LAT + north / 111_150
        when = (BEGIN + timedelta(days=day, seconds=k)).strftime("%Y-%m-%dT%H:%M:%SZ")
        lines.append(f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"><time>{when}</time></trkpt>')
    head = (
        '<?xml version="1.0"?>\n<gpx version="1.1" creator="b" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
    )
    return (head + "\n".join(lines) + "</trkseg></trk></gpx>\n").encode()


def form_body(fields: Mapping[str, str], files: Mapping[str, bytes]) -> bytes:
    """Return a form as a browser sends it, its files under the field ``tracks``."""
    parts = [f'--x\r\nContent-Disposition: form-data; name="{k}"\r\n\r\n{v}\r\n'.encode() for k, v in fields.items()]
    for name, data in files.items():
        head = f'--x\r\nContent-Disposition: form-data; name="tracks"; filename="{name}"\r\n\r\n'
        parts.append(head.encode() + data + b"\r\n")
    return b"".join(parts) + b"--x--\r\n"


class ServerProcess:
    """The process and its key; ``env`` is added to this process's own, ``log`` is where its errors are appended."""

    def __init__(self, root: Path, env: Mapping[str, str] | None = None, log: Path | None = None) -> None:
        began = time.perf_counter()
        command = [sys.executable, "-c", COMMAND, "serve", str(root)]
        with (log or Path(os.devnull)).open("ab") as errors:
            self.process = subprocess.Popen(
                command, stdout=subprocess.PIPE, stderr=errors, text=True, env={**os.environ, **(env or {})}
            )
        assert self.process.stdout is not None
        address = self.process.stdout.readline().strip()
        self.process.stdout.close()
        self.host, _, entry = address.removeprefix("http://").partition("/")
        self.cookie = self.prefix = ""
        cookie = self.ask("GET", "/" + entry)[1]["Set-Cookie"]
        self.cookie, self.prefix = cookie.partition(";")[0], re.findall(r"Path=([^;]+)", cookie)[0]
        self.ask("GET", "/")
        self.begun_s = time.perf_counter() - began

    def ask(self, method: str, path: str, body: bytes = b"", kind: str = "") -> tuple[int, Any, bytes]:
        """Send one request; returns code, headers and body."""
        headers = {"Cookie": self.cookie, "Origin": f"http://{self.host}", "Accept": "application/json"}
        if kind:
            headers["Content-Type"] = kind
        wire = http.client.HTTPConnection(self.host, timeout=60)
        try:
            wire.request(method, path if path.startswith(self.prefix) else self.prefix + path, body, headers)
            answer = wire.getresponse()
            return answer.status, answer.headers, answer.read()
        finally:
            wire.close()

    def post(self, path: str, fields: Mapping[str, str], files: Mapping[str, bytes]) -> dict[str, Any]:
        """Send a form with files under the field ``tracks``."""
        return dict(json.loads(self.ask("POST", path, form_body(fields, files), FORM_TYPE)[2]))

    def wait(self, job: str) -> dict[str, Any]:
        """Wait until a piece of work is over."""
        while True:
            state = dict(json.loads(self.ask("GET", job + "/state")[2]))
            if state["over"]:
                return state
            time.sleep(0.05)

    def memory_mb(self) -> float:
        """Return the resident memory; only where the system shows it as a file."""
        text = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(re.findall(r"VmRSS:\s+(\d+)", text)[0]) / 1024

    def end(self, how: int = signal.SIGTERM) -> None:
        """End the server."""
        self.process.send_signal(how)
        self.process.wait()


def sent_names(site: Path) -> list[str]:
    """Return the names under which the walks of a site were sent, in the order of its outings."""
    outings = tomllib.loads((site / "outings.toml").read_text()).get("outing", [])
    return [one["name"] for outing in outings for one in outing["recording"]]
