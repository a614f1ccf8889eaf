"""The generated clinic as the peer check of the audit has it: served, and as resources."""
import json
import re
import subprocess
import tempfile
import time
from pathlib import Path

import requests

SCHEMAS = Path(__file__).resolve().parents[2] / "schemas" / "profile"
FIGURE = "https://spondyl.example/fhir/StructureDefinition/audit-figure"


def measures():
    """Every Measure that ships."""
    return [json.loads(path.read_text()) for path in sorted(SCHEMAS.glob("measure-*.json"))]


class Program:
    """Generates, stores and serves a clinic; gives the base URL and the newest of each resource."""

    def __init__(self, spondyl, patients, seed=11):
        self.spondyl, self.patients, self.seed = spondyl, str(patients), str(seed)

    def __enter__(self):
        self.directory = tempfile.TemporaryDirectory()
        path = Path(self.directory.name)
        generate = [self.spondyl, "generate", "clinic", "--patients", self.patients,
                    "--seed", self.seed]
        started = time.monotonic()
        subprocess.run([*generate, "--form", "resources", "--out", path / "clinic.ndjson"],
                       check=True)
        print(f"audit: generated in {time.monotonic() - started:.1f} s")
        started = time.monotonic()
        subprocess.run([*generate, "--load", path / "store"], check=True)
        print(f"audit: stored in {time.monotonic() - started:.1f} s")
        told = open(path / "serve.out", "w")
        self.server = subprocess.Popen(
            [self.spondyl, "serve", "--data", path / "store", "--listen", "127.0.0.1:0",
             "--audit-least", "0"], stdout=told, stderr=open(path / "serve.err", "w"))
        base = None
        for _ in range(300):
            found = re.search(r"http://127.0.0.1:\d+/fhir", (path / "serve.out").read_text())
            if found:
                base = found.group()
                break
            if self.server.poll() is not None:
                raise SystemExit((path / "serve.err").read_text())
            time.sleep(0.1)
        if base is None:
            raise SystemExit("the server did not say where it listens")
        newest = {}
        with open(path / "clinic.ndjson") as lines:
            for line in lines:
                resource = json.loads(line)
                newest[resource["resourceType"], resource["id"]] = resource
        return base, list(newest.values())

    def __exit__(self, *_):
        self.server.terminate()
        self.server.wait()
        self.directory.cleanup()


def evaluate(base, measure, start, end):
    """The MeasureReport of a period."""
    answer = requests.get(
        f"{base}/Measure/{measure}/$evaluate-measure",
        params={"periodStart": start, "periodEnd": end, "reportType": "population"}, timeout=1800)
    answer.raise_for_status()
    return answer.json()


def figure(reported):
    """The parts of the figure of a group or stratum, as numbers."""
    found = {}
    for extension in reported.get("extension", []):
        if extension["url"] == FIGURE:
            for part in extension["extension"]:
                value = part.get("valueUnsignedInt", part.get("valueDecimal"))
                if value is not None:
                    found[part["url"]] = float(value)
    return found
