"""The two servers on this machine, each in a directory of its own, and the load on them.

PostgreSQL comes from the system's packages; its settings are those of a machine that has memory for it, and
commits are as durable as spondyl's (fsync on, synchronous_commit on). wrk and pgbench, both in C, make
the load: 32 connections over TCP on 127.0.0.1 each.
"""
import glob
import json
import os
import pathlib
import re
import shutil
import socket
import statistics
import subprocess
import time
import urllib.request

CLIENTS = 32
CACHE = "2GB"
HERE = pathlib.Path(__file__).parent


def free_port():
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return listener.getsockname()[1]


def cpu_of(pid, children=False):
    """Seconds that a process has computed; or the children that it has waited for."""
    with open(f"/proc/{pid}/stat", encoding="ascii") as file:
        fields = file.read().rsplit(")", 1)[1].split()
    first = 13 if children else 11
    return (int(fields[first]) + int(fields[first + 1])) / os.sysconf("SC_CLK_TCK")


def size_of(directory):
    return sum(file.stat().st_size for file in pathlib.Path(directory).rglob("*") if file.is_file())


class Spondyl:
    """The program, serving an empty directory."""

    def __init__(self, program, directory):
        self.program, self.directory = program, directory
        words = [program, "serve", "--listen", "127.0.0.1:0", "--data", directory, "--cache", CACHE.replace("GB", "GiB")]
        self.process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        line = self.process.stdout.readline()
        self.origin = re.search(r"http://[0-9.:]+", line).group()

    def stop(self):
        self.process.terminate()
        self.process.wait()

    def get(self, path):
        request = urllib.request.Request(f"{self.origin}/fhir/{path}", headers={"Accept": "application/fhir+json"})
        with urllib.request.urlopen(request) as answer:
            return json.load(answer)

    def load(self, files, journal):
        """Seconds."""
        start = time.perf_counter()
        words = [self.program, "load", *files, "--server", f"{self.origin}/fhir", "--journal", journal, "--again"]
        subprocess.run(words, check=True, capture_output=True)
        return time.perf_counter() - start

    def ids(self, path):
        return [entry["resource"]["id"] for entry in self.get(path).get("entry", [])]

    def pages(self, path):
        """The resources of all pages."""
        while path:
            bundle = self.get(path)
            yield from (entry["resource"] for entry in bundle.get("entry", []))
            links = {link["relation"]: link["url"] for link in bundle["link"]}
            path = links["next"].split("/fhir/", 1)[1] if "next" in links else None

    def run(self, kind, data, seconds):
        """Requests a second, the median and 99th percentile of their time, and what the server computed for each,
        in milliseconds."""
        words = ["wrk", "-t2", f"-c{CLIENTS}", f"-d{seconds}s", "-s", HERE / "requests.lua", self.origin, "--",
                 kind.__name__, str(data["patients"]), str(data["from"]), str(data["to"])]
        before = cpu_of(self.process.pid)
        told = subprocess.run(words, check=True, capture_output=True, text=True).stdout
        computed = cpu_of(self.process.pid) - before
        requests, duration, median, late, failed = re.search(r"^RESULT (.+)$", told, re.M).group(1).split()
        if int(failed) or not int(requests):
            raise SystemExit(f"{kind.__name__}: {failed} of {requests} requests failed")
        return float(requests) / float(duration), float(median), float(late), 1000 * computed / float(requests)


class Postgres:
    """A cluster of its own, which goes with its directory."""

    def __init__(self, directory):
        self.directory = pathlib.Path(directory)
        self.directory.mkdir(parents=True)
        self.programs = pathlib.Path(sorted(glob.glob("/usr/lib/postgresql/*/bin"))[-1])
        self.port = free_port()
        # The server refuses to run as root.
        self.user = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
        if self.user:
            shutil.chown(self.directory, "postgres")
        self.call("initdb", "-D", self.directory / "data", "-U", "peer", "--auth=trust", "--encoding=UTF8", "--locale=C")
        settings = {"port": self.port, "listen_addresses": "'127.0.0.1'", "unix_socket_directories": "''",
                    "shared_buffers": CACHE, "effective_cache_size": "8GB", "work_mem": "32MB",
                    "maintenance_work_mem": "512MB", "random_page_cost": "1.1", "jit": "off", "max_wal_size": "1GB"}
        lines = "".join(f"{name} = {value}\n" for name, value in settings.items())
        with open(self.directory / "data/postgresql.conf", "a", encoding="utf-8") as file:
            file.write(lines)
        self.call("pg_ctl", "-D", self.directory / "data", "-l", self.directory / "log", "-w", "start")

    def call(self, name, *words):
        subprocess.run([*self.user, self.programs / name, *words], check=True, stdout=subprocess.DEVNULL,
                       cwd=self.directory)

    def stop(self):
        self.call("pg_ctl", "-D", self.directory / "data", "-m", "fast", "-w", "stop")

    def database(self, name):
        self.sql("postgres", f"CREATE DATABASE {name}")

    def where(self, database):
        return ["-h", "127.0.0.1", "-p", str(self.port), "-U", "peer", database]

    def sql(self, database, text, stdin=None):
        """The lines of the answer."""
        words = [self.programs / "psql", *self.where(database), "-v", "ON_ERROR_STOP=1", "-qtA", "-c", text]
        done = subprocess.run(words, check=True, stdin=stdin, capture_output=True, text=True)
        return done.stdout.split("\n")[:-1]

    def copy(self, database, table, path):
        with open(path, "rb") as rows:
            self.sql(database, f"COPY {table} FROM STDIN", rows)

    def run(self, database, script, seconds):
        """As for the other server; the times are those that pgbench logs of each transaction."""
        directory = self.directory / "runs"
        shutil.rmtree(directory, ignore_errors=True)
        directory.mkdir()
        (directory / "script.sql").write_text(script, encoding="utf-8")
        words = [self.programs / "pgbench", "-n", "-M", "prepared", f"-c{CLIENTS}", "-j2", f"-T{seconds}", "-l",
                 "-f", "script.sql", *self.where(database)]
        # Each client has a process of its own, which ends with the run.
        parent = int((self.directory / "data/postmaster.pid").read_text(encoding="ascii").split("\n")[0])
        before = cpu_of(parent, children=True)
        done = subprocess.run(words, check=True, capture_output=True, text=True, cwd=directory)
        time.sleep(0.2)
        computed = cpu_of(parent, children=True) - before
        rate = float(re.search(r"^tps = ([0-9.]+)", done.stdout, re.M).group(1))
        times = [int(line.split()[2]) for log in directory.glob("pgbench_log*") for line in open(log, encoding="ascii")]
        times.sort()
        late = times[int(len(times) * 0.99)]
        return rate, statistics.median(times) / 1000, late / 1000, 1000 * computed / len(times)
