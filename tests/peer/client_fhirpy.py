#!/usr/bin/env python3
"""A general FHIR client library (fhirpy, from PyPI) against a running server.

    client_fhirpy.py BASE

Does what a clinic system does, with nothing but the library's own calls.
"""
import json
import sys
import uuid

from fhirpy import SyncFHIRClient
from fhirpy.base.exceptions import MultipleResourcesFound, OperationOutcome, ResourceNotFound

from checks import EPISODE, PATIENT, SYSTEM, Checks, fhirpath_patch, observation, patient, transaction

check = Checks("fhirpy")
BASE = sys.argv[1].rstrip("/")
client = SyncFHIRClient(BASE)


def having(**headers):
    """A client that sends these headers as well."""
    return SyncFHIRClient(BASE, extra_headers={name.replace("_", "-"): text for name, text in headers.items()})


def refused(action):
    """The issue codes of the outcome with which the action is refused; none if it is not."""
    try:
        action()
    except (OperationOutcome, ResourceNotFound, MultipleResourcesFound) as error:
        outcome = getattr(error, "resource", None) or json.loads(str(error))
        assert outcome["resourceType"] == "OperationOutcome", outcome
        return [issue["code"] for issue in outcome["issue"]]
    return []


def ours(**criteria):
    return client.resources("Patient").search(identifier=f"{SYSTEM}|", **criteria)


def life_of_a_resource():
    first = client.resource("Patient", **patient(0))
    first.save()
    check("create gives id and version", first.id and first["meta"]["versionId"] == "1")
    read = client.reference("Patient", first.id).to_resource()
    check.equal("read gives what was sent", read["name"][0]["family"], "Peer0")
    first["active"] = True
    first.save()
    check.equal("update makes version 2", first["meta"]["versionId"], "2")
    old = client.execute(f"Patient/{first.id}/_history/1", method="get")
    check("vread gives the old version", "active" not in old and old["meta"]["versionId"] == "1")
    history = client.execute(f"Patient/{first.id}/_history", method="get")
    check.equal("history is newest first",
                [entry["resource"]["meta"]["versionId"] for entry in history["entry"]], ["2", "1"])
    check("refresh asks whether it changed", first.refresh()["active"] is True)
    stale = having(If_Match='W/"1"').resource("Patient", **{**patient(0), "id": first.id})
    check.equal("a stale version is refused", refused(stale.save), ["conflict"])
    first.delete()
    gone = client.reference("Patient", first.id)
    check.equal("deleted is gone", refused(gone.to_resource), ["deleted"])
    history = client.execute(f"Patient/{first.id}/_history", method="get")
    check.equal("the history tells the deletion", history["entry"][0]["request"]["method"], "DELETE")
    never = client.reference("Patient", "never-there")
    check.equal("what never was is not found", refused(never.to_resource), ["not-found"])


def searches():
    made = [client.resource("Patient", **patient(number)) for number in range(1, 8)]
    for one in made:
        one.save()
    ids = sorted(one.id for one in made)
    check.equal("search by system", sorted(one.id for one in ours().fetch_all()), ids)
    paged = [one.id for one in ours().limit(2).fetch_all()]
    check.equal("paging by twos gives all once", sorted(paged), ids)
    check.equal("one page of two", len(ours().limit(2).fetch()), 2)
    check.equal("count", ours().count(), 7)
    check.equal("first", ours().sort("birthdate").first().id, made[0].id)
    one = client.resources("Patient").search(identifier=f"{SYSTEM}|3").get()
    check.equal("search one", one["name"][0]["family"], "Peer3")
    check.equal("a date with a prefix", len(ours(birthdate__ge="1980-01-05").fetch_all()), 4)
    check.equal("a string in other case", len(ours(family="peer2").fetch_all()), 1)
    check.equal("a modifier", len(ours(family__exact="peer2").fetch_all()), 0)
    descending = [one["birthDate"] for one in ours().sort("-birthdate").fetch_all()]
    check.equal("order", descending, sorted(descending, reverse=True))
    check.equal("several matches where one is asked for", refused_many(ours()), True)
    record = client.resource("Observation", **observation(f"Patient/{made[0].id}"))
    record.save()
    back = client.resources("Patient").search(_id=made[0].id).revinclude("Observation", "subject")
    kinds = {entry["resource"]["resourceType"] for entry in back.fetch_raw()["entry"]}
    check.equal("_revinclude", kinds, {"Patient", "Observation"})
    has = ours().has("Observation", "subject", code="http://loinc.org|72514-3")
    check.equal("_has", [one.id for one in has.fetch_all()], [made[0].id])
    chained = client.resources("Observation").search(subject__Patient__identifier=f"{SYSTEM}|1")
    check.equal("a chain", [one.id for one in chained.fetch_all()], [record.id])
    strict = having(Prefer="handling=strict").resources("Patient").search(shoe_size="44")
    check.equal("an unknown parameter, strictly", refused(strict.fetch), ["invalid"])
    record.delete()
    for one in made:
        one.delete()
    check.equal("deleted is not found by search", ours().fetch_all(), [])


def refused_many(found):
    try:
        found.get()
    except MultipleResourcesFound:
        return True
    return False


def conditional():
    criteria = {"identifier": f"{SYSTEM}|10"}
    where = f"identifier={SYSTEM}%7C10"
    create = lambda: having(If_None_Exist=where).execute("Patient", data=patient(10))
    first = create()
    check.equal("the second create finds the first", create()["id"], first["id"])
    update = lambda **more: client.execute("Patient", method="put", data=patient(10, **more), params=criteria)
    check.equal("an update by criteria", update(active=True)["meta"]["versionId"], "2")
    client.execute("Patient", data=patient(10))
    check.equal("criteria that select several", refused(create), ["multiple-matches"])
    check.equal("several, to be updated", refused(update), ["multiple-matches"])
    delete = lambda: client.execute("Patient", method="delete", params=criteria)
    check.equal("several, to be deleted", refused(delete), ["multiple-matches"])
    client.execute(f"Patient/{first['id']}", method="delete")
    delete()
    check.equal("one was deleted by criteria", client.resources("Patient").search(**criteria).count(), 0)
    delete()
    made = update()
    check.equal("an update by criteria creates", made["meta"]["versionId"], "1")
    client.execute(f"Patient/{made['id']}", method="delete")


def patches():
    one = client.resource("Patient", **patient(20))
    one.save()
    path = f"Patient/{one.id}"
    by_json = having(Content_Type="application/json-patch+json")
    done = by_json.execute(path, method="patch", data=[
        {"op": "test", "path": "/birthDate", "value": one["birthDate"]},
        {"op": "add", "path": "/gender", "value": "other"},
    ])
    check.equal("JSON Patch", (done["gender"], done["meta"]["versionId"]), ("other", "2"))
    unfit = lambda: by_json.execute(path, method="patch", data=[
        {"op": "remove", "path": "/gender"}, {"op": "test", "path": "/birthDate", "value": "1900"}])
    check.equal("a test that does not hold", refused(unfit), ["conflict"])
    body = fhirpath_patch("Patient.gender", "Code", "female")
    done = having(Content_Type="application/fhir+json").execute(path, method="patch", data=body)
    check.equal("FHIRPath Patch", (done["gender"], done["meta"]["versionId"]), ("female", "3"))
    bad = fhirpath_patch("Patient.gender", "Code", "unheard-of")
    check.equal("an outcome that breaks a rule", refused(lambda: client.execute(path, method="patch", data=bad)),
                ["code-invalid"])
    check.equal("nothing of it was stored", one.refresh()["meta"]["versionId"], "3")
    one.delete()


def bundles():
    urn = uuid.uuid4().urn
    done = client.execute("", data=transaction(urn, 30))
    check.equal("a transaction creates", [entry["response"]["status"][:3] for entry in done["entry"]], ["201", "201"])
    subject, record = ["/".join(entry["response"]["location"].split("/")[-4:-2]) for entry in done["entry"]]
    stored = client.execute(record, method="get")
    check.equal("the urn became a reference", stored["subject"]["reference"], subject)
    broken = transaction(uuid.uuid4().urn, 31)
    broken["entry"][1]["resource"]["status"] = "unheard-of"
    check("a broken transaction is refused", "code-invalid" in refused(lambda: client.execute("", data=broken)))
    check.equal("and leaves nothing", client.resources("Patient").search(identifier=f"{SYSTEM}|31").count(), 0)
    batch = {"resourceType": "Bundle", "type": "batch", "entry": [
        {"request": {"method": "GET", "url": subject}},
        {"request": {"method": "GET", "url": "Patient/never-there"}},
        {"request": {"method": "DELETE", "url": record}},
    ]}
    done = client.execute("", data=batch)
    check.equal("a batch answers each", [entry["response"]["status"][:3] for entry in done["entry"]], ["200", "404", "204"])
    check.equal("with the outcome of each", done["entry"][1]["response"]["outcome"]["issue"][0]["code"], "not-found")
    client.execute(subject, method="delete")


def operations():
    check("$validate finds nothing", client.resource("Patient", **patient(40)).is_valid())
    check("$validate finds the fault", not client.resource("Patient", gender="unheard-of").is_valid())
    saving = client.resource("Patient", gender="unheard-of").save
    check.equal("an invalid resource is refused", refused(saving), ["code-invalid"])
    letter = client.reference("EpisodeOfCare", EPISODE).execute("$episode-summary", method="get")
    check.equal("$episode-summary is a document", (letter["type"], letter["entry"][0]["resource"]["resourceType"]),
                ("document", "Composition"))
    capabilities = client.execute("metadata", method="get")
    check.equal("capabilities are of R4", capabilities["fhirVersion"], "4.0.1")
    if claimed(capabilities, "Observation", "lastn"):
        found = client.execute("Observation/$lastn", method="get", params={"patient": PATIENT, "max": "1", "category": "survey"})
        check("$lastn finds", found["type"] == "searchset" and len(found["entry"]) > 0)
    if claimed(capabilities, "Patient", "everything"):
        found = client.reference("Patient", PATIENT).execute("$everything", method="get")
        kinds = {entry["resource"]["resourceType"] for entry in found["entry"]}
        check("$everything finds", {"Patient"} <= kinds)


def claimed(capabilities, kind, name):
    for resource in capabilities["rest"][0]["resource"]:
        if resource["type"] == kind:
            return name in [operation["name"] for operation in resource.get("operation", [])]
    return False


def main():
    for part in [life_of_a_resource, searches, conditional, patches, bundles, operations]:
        part()
    check.end(least=45)


if __name__ == "__main__":
    main()
