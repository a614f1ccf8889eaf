#!/usr/bin/env python3
"""What is between servers, each beside its peer in one run: exports, loading, the cost of a token.

    python3 tests/peer/speed_sync.py target/release/spondyl --patients 2000

1. $export of everything beside the reading of the same rows with no other work (tests/scan.rs).
2. spondyl load with every rule beside the same with --validation '*=off'.
3. Reads of one resource with a token (--access smart --trail off), and with the audit trail too, beside
   the same from an open server, by wrk, by turns; the median of five.
Times depend on the machine and on what else it does; the ratios are what counts.
"""
import argparse
import base64
import json
import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.parse
import urllib.request

ROOT = pathlib.Path(__file__).resolve().parents[2]


def run(words, **more):
    ended = subprocess.run([str(word) for word in words], capture_output=True, text=True, **more)
    if ended.returncode != 0:
        sys.exit(f"{' '.join(map(str, words))}: {ended.stdout[-500:]} {ended.stderr[-2000:]}")
    return ended


class Server:
    def __init__(self, spondyl, data, *words):
        words = [spondyl, "serve", "--listen", "127.0.0.1:0", "--data", data, *words]
        self.process = subprocess.Popen(list(map(str, words)), stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        line = next(line for line in self.process.stdout if "http://127.0.0.1:" in line)
        self.base = line[line.index("http://127.0.0.1:"):].split("/fhir")[0] + "/fhir"
        time.sleep(3)  # what it makes ready beside the first requests

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.terminate()
        self.process.wait()


def ask(url, headers=None, method="GET"):
    request = urllib.request.Request(url, headers=headers or {}, method=method)
    with urllib.request.urlopen(request, timeout=600) as answer:
        return answer.read(), answer.headers


def load(spondyl, home, lines, name, *words):
    data = home / name
    with Server(spondyl, data, *words) as server:
        begun = time.perf_counter()
        run([spondyl, "load", lines, "--server", server.base, "--journal", home / f"{name}.journal"])
        return data, time.perf_counter() - begun


def export(spondyl, data):
    """By the job's own file, for what a client sees is as coarse as Retry-After."""
    with Server(spondyl, data) as server:
        begun = time.perf_counter()
        _, headers = ask(f"{server.base}/$export", {"Prefer": "respond-async", "Accept": "application/fhir+json"})
        job = data / "exports" / headers["Content-Location"].rsplit("/", 1)[1] / "job.json"
        while True:
            state = json.loads(job.read_text(encoding="utf-8"))["state"]
            if state != "Running":
                break
            time.sleep(0.005)
        seconds = time.perf_counter() - begun
        ask(headers["Content-Location"], method="DELETE")
    return seconds, sum(output["count"] for output in state["Done"]["outputs"])


def scan(spondyl, data):
    # Built as the program was.
    profile = ["--release"] if spondyl.parent.name == "release" else []
    words = ["cargo", "test", "--quiet", "--locked", *profile, "--test", "scan", "--", "--nocapture"]
    told = run(words, cwd=ROOT, env={**os.environ, "SPONDYL_SCAN": str(data)}).stdout
    return json.loads(re.search(r"\{.*\}", told)[0])


def rate(url, token, seconds):
    words = ["wrk", "-t1", "-c8", f"-d{seconds}s"]
    words += ["-H", f"Authorization: Bearer {token}"] if token else []
    told = run([*words, url]).stdout
    if "Non-2xx" in told:
        sys.exit(told)
    return float(re.search(r"Requests/sec:\s+([0-9.]+)", told)[1])


def token(spondyl, home, data, base):
    """By the program itself there is none to be shown, so it is asked for here, with openssl's key."""
    key = home / "key.pem"
    run(["openssl", "genpkey", "-algorithm", "RSA", "-pkeyopt", "rsa_keygen_bits:2048", "-out", key])
    run(["openssl", "rsa", "-in", key, "-pubout", "-out", home / "public.pem"])
    modulus = run(["openssl", "rsa", "-in", key, "-noout", "-modulus"]).stdout.strip().split("=")[1]

    def text(raw):
        return base64.urlsafe_b64encode(raw).rstrip(b"=").decode()

    keys = {"keys": [{"kty": "RSA", "kid": "k", "e": "AQAB", "n": text(bytes.fromhex(modulus))}]}
    (home / "keys.jwks").write_text(json.dumps(keys))
    run([spondyl, "client", "add", "speed", "--scope", "system/*.cruds", "--jwks", home / "keys.jwks", "--data", data])
    now, endpoint = int(time.time()), f"{base}/auth/token"
    claims = {"iss": "speed", "sub": "speed", "aud": endpoint, "exp": now + 240, "jti": f"{now}-{os.getpid()}"}
    parts = [text(json.dumps(part).encode()) for part in ({"alg": "RS384", "kid": "k", "typ": "JWT"}, claims)]
    signed = subprocess.run(["openssl", "dgst", "-sha384", "-sign", str(key)], input=".".join(parts).encode(), capture_output=True, check=True)
    form = urllib.parse.urlencode({
        "grant_type": "client_credentials", "scope": "system/*.rs",
        "client_assertion_type": "urn:ietf:params:oauth:client-assertion-type:jwt-bearer",
        "client_assertion": ".".join([*parts, text(signed.stdout)]),
    }).encode()
    with urllib.request.urlopen(urllib.request.Request(endpoint, data=form), timeout=60) as answer:
        return json.load(answer)["access_token"]


def reads(spondyl, home, data, seconds):
    """Of one resource: from an open server, with a token, and with a token and the audit trail."""
    copies = {name: home / name for name in ("token", "trail")}
    for copy in copies.values():
        shutil.copytree(data, copy)
    smart = ["--access", "smart", "--trail"]
    with Server(spondyl, data) as free, \
            Server(spondyl, copies["token"], *smart, "off") as guarded, \
            Server(spondyl, copies["trail"], *smart, "on") as told:
        found, _ = ask(f"{free.base}/Patient?_count=1")
        place = "Patient/" + json.loads(found)["entry"][0]["resource"]["id"]
        servers = {
            "token": (f"{guarded.base}/{place}", token(spondyl, home, copies["token"], guarded.base)),
            "trail": (f"{told.base}/{place}", token(spondyl, home, copies["trail"], told.base)),
        }
        # Sent there too, where nobody reads it, so that what differs is what is made of it.
        servers["open"] = (f"{free.base}/{place}", servers["token"][1])
        rates = {name: [] for name in servers}
        for url, bearer in servers.values():
            rate(url, bearer, 2)
        for _ in range(5):
            for name, (url, bearer) in servers.items():
                rates[name].append(rate(url, bearer, seconds))
    return {name: sorted(rates)[len(rates) // 2] for name, rates in rates.items()}


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("spondyl", type=pathlib.Path)
    asked.add_argument("--patients", type=int, default=500)
    asked.add_argument("--seconds", type=int, default=5, help="of each of fifteen runs of wrk")
    asked = asked.parse_args()
    spondyl = asked.spondyl.resolve()
    home = pathlib.Path(tempfile.mkdtemp(prefix="speed-sync-", dir=ROOT / "target"))
    try:
        lines = home / "clinic.ndjson"
        run([spondyl, "generate", "clinic", "--patients", asked.patients, "--seed", 7, "--form", "resources", "--out", lines])
        with lines.open(encoding="utf-8") as file:
            count = sum(1 for _ in file)
        data, checked = load(spondyl, home, lines, "checked")
        _, unchecked = load(spondyl, home, lines, "unchecked", "--validation", "*=off")
        print(f"load: {count} lines, {count / checked:.0f} a second, with no rules {count / unchecked:.0f}: "
              f"{unchecked / checked:.2f} of that")
        exported, resources = min(export(spondyl, data) for _ in range(3))
        read = min((scan(spondyl, data) for _ in range(3)), key=lambda scan: scan["seconds"])
        print(f"$export: {resources} resources in {exported:.2f} s, raw scan of {read['resources']} in "
              f"{read['seconds']:.2f} s: {read['seconds'] / exported:.2f} of its speed")
        rates = reads(spondyl, home, data, asked.seconds)
        less = 100 * (1 - rates["token"] / rates["open"])
        print(f"reads a second: {rates['open']:.0f} open, {rates['token']:.0f} with a token: {less:.1f} % less; "
              f"{rates['trail']:.0f} with a token and the audit trail")
    finally:
        shutil.rmtree(home)


main()
