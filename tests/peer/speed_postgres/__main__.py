#!/usr/bin/env python3
"""spondyl beside PostgreSQL: the same Observations, the same questions, on one machine in one run.

    python3 tests/peer/speed_postgres target/release/spondyl [--observations 1000000]

Needs PostgreSQL with pgbench, and wrk (apt-get install postgresql wrk). Generates a clinic, stores it in spondyl
with `spondyl load` and in a jsonb table with the expression indexes that fit the questions, sees that
both give the same ids in the same order, then lets wrk and pgbench ask in turns, 32 clients each. spondyl's
figures have HTTP, paging links and a Bundle in them; pgbench's the rows' JSON as text. The same is done with
few Observations, in the same turns, so that growth can be told apart from whatever else the machine does.
Medians of the rounds. Figures depend on machine and disk; the ratios less so, and of a machine that does
other work meanwhile the ratios of what the servers computed least of all.
"""
import argparse
import pathlib
import random
import shutil
import statistics
import time

import clinic
import kinds
import servers

SAMPLES = 25


def main():
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("spondyl", type=pathlib.Path)
    words.add_argument("--observations", type=int, default=1_000_000)
    words.add_argument("--few", type=int, default=10_000)
    words.add_argument("--rounds", type=int, default=3)
    words.add_argument("--seconds", type=int, default=10)
    words.add_argument("--work", type=pathlib.Path, default=pathlib.Path("target/bench"))
    args = words.parse_args()
    missing = [name for name in ["wrk", "pg_lsclusters"] if not shutil.which(name)]
    if missing:
        raise SystemExit(f"not found: {', '.join(missing)}; apt-get install postgresql wrk")
    shutil.rmtree(args.work, ignore_errors=True)
    args.work.mkdir(parents=True)
    work = args.work.resolve()
    postgres = servers.Postgres(work / "postgres")
    sizes = [Size(count, args.spondyl.resolve(), postgres, work / str(count)) for count in (args.few, args.observations)]
    try:
        for size in sizes:
            size.fill()
            size.agree()
        compare(sizes, postgres, args)
    finally:
        for size in sizes:
            size.spondyl.stop()
        postgres.stop()
        shutil.rmtree(work)


class Size:
    """A clinic of some size, on both servers."""

    def __init__(self, count, program, postgres, directory):
        self.count, self.postgres, self.directory = count, postgres, directory
        directory.mkdir()
        self.database = f"clinic{count}"
        self.spondyl = servers.Spondyl(program, directory / "data")
        self.data = {"patients": count // clinic.EACH}

    def fill(self):
        observations, patients = self.directory / "observations.ndjson", self.directory / "patients.ndjson"
        clinic.write(observations, clinic.observations(self.count))
        clinic.write(patients, clinic.patients(self.data["patients"]))
        self.data["from"] = int(time.time() * 1000)
        seconds = self.spondyl.load([observations], self.directory / "journal")
        self.data["to"] = int(time.time() * 1000)
        self.spondyl.load([patients], self.directory / "journal")
        observations.unlink()
        size = servers.size_of(self.directory / "data")
        print(f"{self.count:,} Observations: spondyl load {self.count / seconds:,.0f}/s, {size / 2**20:,.0f} MiB; ",
              end="", flush=True)
        self.fill_postgres()

    def fill_postgres(self):
        """The resources as the other server has them, so that both have the same to tell."""
        self.postgres.database(self.database)
        self.postgres.sql(self.database, kinds.TABLES)
        seconds = 0
        for table, kind in (("observation", "Observation"), ("patient", "Patient")):
            rows = self.directory / "rows"
            with open(rows, "w", encoding="utf-8") as file:
                for resource in self.spondyl.pages(f"{kind}?_count=1000"):
                    body = clinic.line(resource).replace("\\", "\\\\")
                    file.write(f"{resource['id']}\t{resource['meta']['lastUpdated']}\t{body}\n")
            start = time.perf_counter()
            self.postgres.copy(self.database, table, rows)
            seconds += time.perf_counter() - start
            rows.unlink()
        start = time.perf_counter()
        self.postgres.sql(self.database, kinds.INDEXES)
        seconds += time.perf_counter() - start
        self.postgres.sql(self.database, "VACUUM ANALYZE")
        size = int(self.postgres.sql(self.database, f"SELECT pg_database_size('{self.database}')")[0])
        print(f"PostgreSQL COPY and CREATE INDEX {self.count / seconds:,.0f}/s, {size / 2**20:,.0f} MiB", flush=True)

    def agree(self):
        """Both sides answer the same questions with the same ids."""
        chance = random.Random(1)
        for name, kind, bounds in kinds.KINDS:
            told = 0
            for _ in range(SAMPLES):
                values = [chance.randint(low, high) for low, high in kinds.spans(bounds, self.data)]
                path, sql = kind(*values)
                page = int(path.split("_count=")[1].split("&")[0])
                ours = self.spondyl.ids(path)
                theirs = self.postgres.sql(self.database, sql.replace("{what}", "id"))[:page]
                if ours != theirs:
                    raise SystemExit(f"{name}: {path}\nspondyl {ours}\nPostgreSQL {theirs}")
                told += len(ours)
            print(f"  {name}: the same ids, {told / SAMPLES:.1f} a page")


def compare(sizes, postgres, args):
    for name, kind, bounds in kinds.KINDS:
        runs = {}
        for size in sizes:
            script = kinds.script(kind, bounds, size.data)
            # Caches are warm on both sides, and prepared plans and compiled rules are at hand.
            size.spondyl.run(kind, size.data, 2)
            postgres.run(size.database, script, 2)
        for _ in range(args.rounds):
            for size in sizes:
                script = kinds.script(kind, bounds, size.data)
                ours = size.spondyl.run(kind, size.data, args.seconds)
                theirs = postgres.run(size.database, script, args.seconds)
                runs.setdefault(("spondyl", size.count), []).append(ours)
                runs.setdefault(("PostgreSQL", size.count), []).append(theirs)
        tell(name, runs, sizes)


def tell(name, runs, sizes):
    middle = {key: [statistics.median(column) for column in zip(*rounds)] for key, rounds in runs.items()}
    print(name)
    for (server, count), (rate, median, late, computed) in middle.items():
        print(f"  {server:10} {count:>9,}: {rate:9,.0f}/s, p50 {median:7.2f} ms, p99 {late:7.2f} ms, "
              f"{computed:.3f} ms computed by the server")
    few, many = (size.count for size in sizes)
    for count in (few, many):
        pairs = zip(runs["spondyl", count], runs["PostgreSQL", count])
        ratio = statistics.median(ours[0] / theirs[0] for ours, theirs in pairs)
        pairs = zip(runs["spondyl", count], runs["PostgreSQL", count])
        computed = statistics.median(theirs[3] / ours[3] for ours, theirs in pairs)
        print(f"  spondyl / PostgreSQL at {count:,}: {ratio:.2f} times the requests; {computed:.2f} for the same computing")
    for server in ("spondyl", "PostgreSQL"):
        pairs = zip(runs[server, many], runs[server, few])
        growth = [(large[1] / small[1], large[3] / small[3]) for large, small in pairs]
        waited, computed = (statistics.median(column) for column in zip(*growth))
        print(f"  {server}: at {many:,} p50 is {waited:.2f} times that at {few:,}, the computing {computed:.2f} times",
              flush=True)


if __name__ == "__main__":
    main()
