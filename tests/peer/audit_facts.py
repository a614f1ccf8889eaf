"""What the audit asks of each episode, computed anew from the resources as they stand.

Written from the words of the code systems audit-criterion and audit-stratifier, the shipped
thresholds and their citations, and the profiles; fractions are exact. `criteria`, `quantities` and
`strata` map each code to a column over the table of `facts`.
"""
import json
from collections import defaultdict
from datetime import date, timedelta
from fractions import Fraction
from pathlib import Path

import pandas as pd

OWN = "https://spondyl.example/fhir"
THRESHOLDS = Path(__file__).resolve().parents[2] / "src" / "clinical" / "thresholds.json"
SETS = {one["id"]: one for one in json.loads(THRESHOLDS.read_text())["sets"]}
LINK = "http://hl7.org/fhir/StructureDefinition/workflow-episodeOfCare"


def codes(concept, system):
    return [c["code"] for c in (concept or {}).get("coding", []) if c.get("system", "").endswith(system)]


def extension(element, url):
    return next((e for e in element.get("extension", []) if e["url"] == url), None)


def episode_of(resource):
    """The episode that a resource names."""
    for url in (LINK, f"{OWN}/StructureDefinition/episode-link"):
        found = extension(resource, url)
        if found:
            return found["valueReference"]["reference"]
    if resource["resourceType"] == "Encounter":
        return resource["episodeOfCare"][0]["reference"]
    if resource["resourceType"] == "DocumentReference":
        return resource["context"]["encounter"][0]["reference"]
    return None


def counts(resource):
    """Neither entered in error nor a cancelled observation."""
    status = resource.get("status")
    return status != "entered-in-error" and not (
        resource["resourceType"] == "Observation" and status == "cancelled")


def moment(resource):
    period = resource.get("effectivePeriod", {})
    return (resource.get("effectiveDateTime") or period.get("end") or resource.get("performedDateTime")
            or resource.get("dateTime"))


def number(quantity):
    return Fraction(str(quantity["value"]))


def days(start, end):
    return (date.fromisoformat(end[:10]) - date.fromisoformat(start[:10])).days


# Scores: (moment, value, activities), in order.

def disability(o):
    """In percent: 100 x points / (5 x answered items), with eight items at least."""
    items = [c["valueInteger"] for c in o.get("component", []) if "valueInteger" in c]
    if items:
        return Fraction(100 * sum(items), 5 * len(items)) if len(items) >= 8 else None
    quantity = o["valueQuantity"]
    return {"{score}": 2, "%": 1}.get(quantity["code"], 0) * number(quantity) or (
        Fraction(0) if quantity["value"] == 0 else None)


def pain(o):
    kinds = codes(o["code"], "/finding")
    usable = o["valueQuantity"]["code"] == "{score}" and kinds in ([], ["pain-now"])
    return number(o["valueQuantity"]) if usable else None


def activities(o):
    return {c["code"]["text"].strip().lower(): number(c["valueQuantity"])
            for c in o.get("component", [])}


def function(o):
    scores = list(activities(o).values())
    return sum(scores, Fraction(0)) / len(scores) if scores else number(o["valueQuantity"])


def habit(o):
    return number(o["valueQuantity"]) / {"/d": 1, "/wk": 7}[o["valueQuantity"]["code"]]


def series(observations, value, shared=None):
    """First and latest on different days: None of nothing; the flag says that both can be compared."""
    known = sorted(((moment(o), value(o), o) for o in observations if value(o) is not None),
                   key=lambda row: row[0])
    if not known:
        return None
    first, latest = known[0], known[-1]
    one_day = first[0][:10] == latest[0][:10]
    at = (lambda m: m[:10]) if one_day else (lambda m: m)
    clash = any(at(row[0]) == at(end[0]) and row[1] != end[1]
                for end in (first, latest) for row in known)
    before, after, fits = first[1], latest[1], not clash and not one_day
    if shared and fits:
        a, b = shared(first[2]), shared(latest[2])
        both = [name for name in a if name in b]
        if a or b:
            fits = bool(both)
        if both:
            before = sum(a[name] for name in both) / len(both)
            after = sum(b[name] for name in both) / len(both)
    return {"first": before, "first_day": first[0][:10], "latest": None if one_day else after,
            "latest_day": None if one_day else latest[0][:10], "fits": fits}


def pair(found, by, threshold, better, most):
    """A score at the start and at least seven days later, judged by a threshold."""
    if found is None:
        return {"there": False}
    row = {"there": True, "at_start": by is not None and found["first_day"] <= by,
           "first": found["first"], "latest": None}
    if not found["fits"] or days(found["first_day"], found["latest_day"]) < 7:
        return row
    row["latest"] = found["latest"]
    gain = (found["latest"] - found["first"]) * better
    scale = 2 if threshold["scale"] == "points of 50" else 1
    need = Fraction(threshold["important"]) * scale
    share = threshold.get("important_percent_of_first")
    if share and found["first"] > 0:
        need = min(need, found["first"] * Fraction(share) / 100)
    room = most - found["first"] if better > 0 else found["first"]
    row["room"] = room >= need and room > 0
    row["improved"] = gain > 0 and gain >= need
    detectable = threshold.get("detectable")
    if detectable:
        row["past_error"] = row["improved"] and gain >= Fraction(detectable) * scale
    return row


def band(percent):
    points = int(percent / 2 + Fraction(1, 2))
    ends = [(4, "none"), (14, "mild"), (24, "moderate"), (34, "severe")]
    return next((name for end, name in ends if points <= end), "complete")


# Segments.

def sides(element):
    concept = extension(element, f"{OWN}/StructureDefinition/laterality")["valueCodeableConcept"]
    side = codes(concept, "/side")[0]
    return ["left", "right"] if side in ("both", "central") else [side]


def segments(row, readings, done):
    """The first map and its re-test; what was treated against the latest assessment until then."""
    graded, maps = defaultdict(list), defaultdict(set)
    for o in sorted(readings, key=moment):
        site, value = o["bodySite"], o.get("valueCodeableConcept")
        if value is None:
            continue
        segment = codes(site, "/motion-segment")[0]
        grade = int(codes(value, "/mobility-grade")[0])
        for side in sides(site):
            graded[segment, side].append((moment(o)[:10], grade))
            maps[segment, side, tuple(codes(o.get("method"), "/test-method"))].add(moment(o)[:10])
    row["loose_found"] = any(grade > 3 for rows in graded.values() for _, grade in rows)
    if maps:
        first = min(min(seen) for seen in maps.values())
        again = [len(seen) > 1 for seen in maps.values() if min(seen) == first]
        row["mapped"], row["mapped_again"] = len(again), sum(again)
    for procedure in done:
        if "soft-tissue" in codes(procedure["code"], "/technique"):
            continue
        day = moment(procedure)[:10]
        for site in procedure["bodySite"]:
            segment, treated = codes(site, "/motion-segment")[0], sides(site)
            latest = {}
            for side in ("left", "right"):
                seen = [grade for when, grade in graded[segment, side] if when <= day]
                latest[side] = seen[-1] if seen else None
            grades = [latest[side] for side in treated]
            others = [latest[side] for side in latest if side not in treated]
            stiff = any(g is not None and g < 3 for g in grades)
            row["sites"] += 1
            if any(g is not None and g > 3 for g in grades):
                row["sites_loose"] += 1
            elif not stiff:
                seen = any(g is not None for g in grades)
                other_stiff = any(g is not None and g < 3 for g in others)
                row["sites_not_stiff" if seen or other_stiff else "sites_not_assessed"] += 1


# The parts of an episode.

def safety(row, parts, done):
    screenings = sorted(parts["screening"], key=moment)
    answers = lambda o: [codes(c.get("valueCodeableConcept"), "/v2-0136") for c in o["component"]]
    complete = [moment(o) for o in screenings if all(answers(o))]
    consents = sorted(parts["Consent"], key=moment)
    given = [moment(c) for c in consents if c["status"] == "active"]
    if done:
        first = min(moment(p) for p in done)
        row["screened"] = any(m <= first for m in complete)
        row["consented"] = any(m <= first for m in given)
    thrusts = [moment(p) for p in done if "thrust" in codes(p["code"], "/technique")]
    row["thrust"] = bool(thrusts)
    if thrusts:
        last = lambda at: [c["status"] for c in consents if moment(c) <= at][-1:]
        row["thrust_prepared"] = all(
            any(moment(o) <= at for o in screenings) and last(at) == ["active"] for at in thrusts)
    positive = [moment(o)[:10] for o in screenings if ["Y"] in answers(o)]
    row["red_flag"] = bool(positive)
    onward = [(s["authoredOn"][:10], s.get("priority")) for s in parts["onward"]]
    row["red_flag_referred"] = bool(positive) and any(day == positive[0] for day, _ in onward)
    row["referred_at_once"] = any(
        day == row["first_visit"] and how in ("urgent", "asap", "stat") for day, how in onward)


def retests(row, parts):
    """Planned by the due day of a goal, or by a plan's interval from the first day."""
    seen = {"ndi": [o for o in parts["82237-9"] if disability(o) is not None],
            "segments": parts["segmental-mobility"]}
    by = defaultdict(list)
    for goal in parts["Goal"]:
        by["ndi"] += [target["dueDate"] for target in goal["target"]]
    for plan in parts["CarePlan"]:
        for activity in plan["activity"]:
            repeat = activity["detail"]["scheduledTiming"]["repeat"]
            by["segments"].append(repeat["period"] * {"wk": 7, "d": 1}[repeat["periodUnit"]])
    for kind, observations in seen.items():
        taken = sorted({moment(o)[:10] for o in observations})
        if not taken or not by[kind]:
            continue
        due = [end if isinstance(end, str) else
               (date.fromisoformat(taken[0]) + timedelta(days=end)).isoformat() for end in by[kind]]
        row["retests_planned"] += 1
        row["retests_on_time"] += len(taken) > 1 and taken[1] <= min(due)


def scores(row, parts):
    by = row["visits"][1] if len(row["visits"]) > 1 else (row["visits"] or [None])[0]
    radicular = any("54404000" in codes(c["code"], "/sct") for c in parts["Condition"])
    chosen = SETS["radiculopathy-2010" if radicular else "review-2024"]
    index = series(parts["82237-9"], disability)
    row["disability"] = pair(index, by, chosen["ndi"], -1, 100)
    row["severity"] = band(index["first"]) if index else None
    row["pain"] = pair(series(parts["72514-3"], pain), by, chosen["nprs"], -1, 10)
    row["function"] = pair(series(parts["psfs-score"], function, activities), by, chosen["psfs"], 1, 10)
    counted = series(parts["self-manipulation-frequency"], habit)
    row["habit_first"] = counted and counted["first"]
    row["habit_latest"] = counted and counted["latest"]


def age(born, start):
    if not born:
        return None
    born, start = date.fromisoformat(born), date.fromisoformat(start)
    return start.year - born.year - ((start.month, start.day) < (born.month, born.day))


def facts(resources):
    """A row for each episode."""
    by_name = {f"{r['resourceType']}/{r['id']}": r for r in resources}
    parts = defaultdict(lambda: defaultdict(list))
    for r in filter(counts, resources):
        episode = episode_of(r)
        if not episode:
            continue
        kind = r["resourceType"]
        if kind == "Observation":
            code = r["code"]["coding"][0]["code"]
            kind = "screening" if code == "red-flag-screening" else code
        parts[episode][kind].append(r)
    rows = []
    for name, e in by_name.items():
        if e["resourceType"] != "EpisodeOfCare":
            continue
        mine, patient = parts[name], by_name[e["patient"]["reference"]]
        named = [r["reference"] for r in e.get("referralRequest", [])]
        mine["onward"] = [s for s in mine["ServiceRequest"] if f"ServiceRequest/{s['id']}" not in named]
        referral = by_name[named[0]] if named else None
        reason = extension(e, f"{OWN}/StructureDefinition/episode-end-reason")
        visits = sorted(v["period"]["start"][:10] for v in mine["Encounter"] if v["status"] == "finished")
        letters = [d["date"][:10] for d in mine["DocumentReference"] if d.get("docStatus") == "final"]
        done = [p for p in mine["Procedure"] if p["status"] in ("completed", "in-progress")]
        row = {
            "episode": name, "start": e["period"]["start"], "end": e["period"].get("end"),
            "reason": codes(reason["valueCodeableConcept"], "/episode-end-reason")[0] if reason else None,
            "age": age(patient.get("birthDate"), e["period"]["start"]), "sex": patient.get("gender"),
            "practitioner": e.get("careManager", {}).get("reference"),
            "site": e["managingOrganization"]["reference"], "referred": referral is not None,
            "referrer": referral["requester"]["reference"] if referral else "none",
            "visits": visits, "first_visit": visits[0] if visits else None,
            "treated": bool(done), "screened": None, "consented": None, "thrust_prepared": None,
            "sites": 0, "sites_loose": 0, "sites_not_stiff": 0, "sites_not_assessed": 0,
            "mapped": 0, "mapped_again": 0, "retests_planned": 0, "retests_on_time": 0,
            "adverse_events": len(mine["AdverseEvent"]), "letter": min(letters, default=None),
        }
        scores(row, mine)
        safety(row, mine, done)
        segments(row, mine["segmental-mobility"], done)
        retests(row, mine)
        rows.append(row)
    return pd.DataFrame(rows, dtype=object).set_index("episode")


# The words of the code systems as columns.

def each(table, of):
    return pd.Series([pd.NA if (found := of(row)) is None else bool(found)
                      for row in table.to_dict("records")], index=table.index, dtype="boolean")


def plain(name):
    return lambda table, _: each(table, lambda row: row[name])


def of_pair(name, part):
    return lambda table, _: each(table, lambda row: row[name].get(part))


def known(condition, of):
    return lambda table, _: each(table, lambda row: of(row) if condition(row) else None)


def stiff_only(row):
    if row["sites_loose"] + row["sites_not_stiff"]:
        return False
    return None if not row["sites"] or row["sites_not_assessed"] else True


criteria = {
    "ended": lambda table, _: each(table, lambda row: row["end"] is not None),
    "visits-at-least": lambda table, n: each(table, lambda row: len(row["visits"]) >= n),
    "treated": plain("treated"),
    "treated-by-thrust": plain("thrust"),
    "dropped-out": known(lambda row: row["reason"],
                         lambda row: row["reason"] in ("did-not-attend", "self-discharged")),
    "referred-at-once": plain("referred_at_once"),
    "screened-before-treatment": plain("screened"),
    "consent-before-treatment": plain("consented"),
    "thrust-prepared": plain("thrust_prepared"),
    "segments-treated": lambda table, _: each(table, lambda row: row["sites"] > 0),
    "treated-stiff-only": lambda table, _: each(table, stiff_only),
    "assessed-before-treated": known(lambda row: row["sites"], lambda row: not row["sites_not_assessed"]),
    "loose-found": plain("loose_found"),
    "loose-left-alone": known(lambda row: row["sites"], lambda row: not row["sites_loose"]),
    "segments-mapped": lambda table, _: each(table, lambda row: row["mapped"] > 0),
    "segments-mapped-again": known(lambda row: row["mapped"],
                                   lambda row: row["mapped"] == row["mapped_again"]),
    "re-test-planned": lambda table, _: each(table, lambda row: row["retests_planned"] > 0),
    "re-test-on-time": known(lambda row: row["retests_planned"],
                             lambda row: row["retests_planned"] == row["retests_on_time"]),
    "self-manipulation-at-start": known(lambda row: row["habit_first"] is not None,
                                        lambda row: row["habit_first"] > 0),
    "self-manipulation-stopped": known(lambda row: row["habit_latest"] is not None,
                                       lambda row: row["habit_latest"] == 0),
    "adverse-event": lambda table, _: each(table, lambda row: row["adverse_events"] > 0),
    "red-flag": plain("red_flag"),
    "red-flag-referred": plain("red_flag_referred"),
    "referred": plain("referred"),
    "letter-within-days": lambda table, n: each(table, lambda row: None if row["end"] is None else (
        row["letter"] is not None and days(row["end"], row["letter"]) <= n)),
}
for score in ("disability", "pain", "function"):
    criteria[f"{score}-at-start"] = lambda t, _, s=score: each(t, lambda row: row[s].get("at_start", False))
    criteria[f"{score}-again"] = lambda t, _, s=score: each(t, lambda row: row[s].get("latest") is not None)
    criteria[f"{score}-has-room"] = of_pair(score, "room")
    criteria[f"{score}-improved"] = of_pair(score, "improved")
    criteria[f"{score}-past-error"] = of_pair(score, "past_error")


def real(table, of):
    return pd.Series([None if (found := of(row)) is None else float(found)
                      for row in table.to_dict("records")], index=table.index, dtype="Float64")


def hundredths(value):
    """Rounded to hundredths, half away from zero."""
    return Fraction(int(abs(value) * 100 + Fraction(1, 2)), 100) * (1 if value >= 0 else -1)


def change(score):
    def of(row):
        latest = row[score].get("latest")
        return None if latest is None else hundredths(latest) - hundredths(row[score]["first"])
    return lambda table: real(table, of)


quantities = {f"{score}-change": change(score) for score in ("disability", "pain", "function")}
quantities["attended-visits"] = lambda table: real(table, lambda row: len(row["visits"]))
quantities["adverse-events"] = lambda table: real(table, lambda row: row["adverse_events"])
quantities["days"] = lambda table: real(
    table, lambda row: None if row["end"] is None else days(row["start"], row["end"]))


def age_band(years):
    if years is None or pd.isna(years):
        return None
    if years < 18:
        return "under-18"
    return "18-29" if years < 30 else "70-and-over" if years >= 70 else f"{int(years) // 10}0-{int(years) // 10}9"


strata = {
    "age-band": lambda table: table["age"].map(age_band),
    "sex": lambda table: table["sex"],
    "baseline-severity": lambda table: table["severity"],
    "referral-source": lambda table: table["referrer"],
    "practitioner": lambda table: table["practitioner"],
    "site": lambda table: table["site"],
    "month": lambda table: table["end"].map(lambda day: day and day[:7]),
}
