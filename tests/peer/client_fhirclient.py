#!/usr/bin/env python3
"""Another general FHIR client library (fhirclient, from PyPI) against a running server.

    client_fhirclient.py BASE

Its models take only what R4 has, so that each answer is looked through as well. The library sends no
patches and no conditions of its own; they stand in the entries of transactions.
"""
import base64
import json
import sys
import uuid

import requests
from fhirclient import client
from fhirclient.models import bundle, fhirabstractbase, observation as observations
from fhirclient.models import operationoutcome, parameters, patient as patients
from fhirclient.server import FHIRNotFoundException

from checks import EPISODE, PATIENT, SYSTEM, Checks, fhirpath_patch, observation, patient, transaction

check = Checks("fhirclient")
smart = client.FHIRClient(settings={"app_id": "peer", "api_base": sys.argv[1].rstrip("/") + "/"})
server = smart.server
Patient, Observation, Bundle = patients.Patient, observations.Observation, bundle.Bundle


def refused(action):
    """Status and first issue code of the outcome with which the action is refused."""
    try:
        action()
    except FHIRNotFoundException as error:
        answer = error.response
    except requests.HTTPError as error:
        answer = error.response
    else:
        return None
    outcome = operationoutcome.OperationOutcome(answer.json())
    return answer.status_code, outcome.issue[0].code


def stored(made):
    """The resource as the answer to a write gives it."""
    return Patient(made)


def life_of_a_resource():
    first = stored(Patient(patient(0)).create(server))
    check("create gives id and version", first.id and first.meta.versionId == "1")
    read = Patient.read(first.id, server)
    check.equal("read gives what was sent", read.name[0].family, "Peer0")
    read.active = True
    check.equal("update makes version 2", stored(read.update(server)).meta.versionId, "2")
    old = Patient.read_from(f"Patient/{first.id}/_history/1", server)
    check("vread gives the old version", old.active is None and old.meta.versionId == "1")
    history = Bundle.read_from(f"Patient/{first.id}/_history", server)
    check.equal("history is newest first", [entry.resource.meta.versionId for entry in history.entry], ["2", "1"])
    check.equal("history says how", [entry.request.method for entry in history.entry], ["PUT", "POST"])
    read.delete(server)
    check.equal("deleted is gone", refused(lambda: Patient.read(first.id, server)), (410, "deleted"))
    history = Bundle.read_from(f"Patient/{first.id}/_history", server)
    check.equal("the history tells the deletion", history.entry[0].request.method, "DELETE")
    again = Patient({**patient(0), "id": first.id})
    check.equal("an update brings it back", stored(again.update(server)).meta.versionId, "4")
    again.delete(server)
    check.equal("what never was is not found", refused(lambda: Patient.read("never-there", server)), (404, "not-found"))
    faulty = lambda: server.post_json("Patient", {"resourceType": "Patient", "gender": "unheard-of"})
    check.equal("an invalid resource is refused", refused(faulty), (422, "code-invalid"))
    check.equal("no JSON is refused", refused(lambda: server.post_json("Patient", "text")), (400, "structure"))


def searches():
    made = [stored(Patient(patient(number)).create(server)) for number in range(1, 8)]
    ids = sorted(one.id for one in made)
    where = lambda **more: Patient.where({"identifier": f"{SYSTEM}|", **more})
    check.equal("search by system", sorted(one.id for one in where().perform_resources(server)), ids)
    pages = [[entry.resource.id for entry in page.entry] for page in where(_count="3").perform_iter(server)]
    check.equal("pages of three", [len(page) for page in pages], [3, 3, 1])
    check.equal("paging gives all once", sorted(sum(pages, [])), ids)
    check.equal("total", where(_count="2").perform(server).total, 7)
    check.equal("a date with a prefix", len(where(birthdate="ge1980-01-05").perform_resources(server)), 4)
    found = where(_sort="-birthdate").perform_resources(server)
    dates = [one.birthDate.isostring for one in found]
    check.equal("order", dates, sorted(dates, reverse=True))
    record = Observation(Observation(observation(f"Patient/{made[0].id}")).create(server))
    of = Observation.where({"subject": f"Patient/{made[0].id}"})
    kinds = {one.resource_type for one in of.include("subject").perform_resources(server)}
    check.equal("_include", kinds, {"Observation", "Patient"})
    chained = Observation.where({"subject:Patient.identifier": f"{SYSTEM}|1"})
    check.equal("a chain", [one.id for one in chained.perform_resources(server)], [record.id])
    back = Patient.where({"_id": made[0].id, "_revinclude": "Observation:subject"})
    check.equal("_revinclude", len(back.perform_resources(server)), 2)
    record.delete(server)
    for one in made:
        one.delete(server)
    check.equal("deleted is not found by search", len(where().perform_resources(server)), 0)


def send(*entries, kind="transaction"):
    """A Bundle of those entries; the statuses and the answer."""
    told = Bundle({"resourceType": "Bundle", "type": kind, "entry": list(entries)}).create(server)
    answer = Bundle(told)
    return [entry.response.status[:3] for entry in answer.entry], answer


def entry(method, url, resource=None, **more):
    told = {"request": {"method": method, "url": url, **more}}
    return {**told, "resource": resource} if resource else told


def conditional():
    where = f"identifier={SYSTEM}|10"
    create = lambda: send(entry("POST", "Patient", patient(10), ifNoneExist=where))
    check.equal("a create where there is none", create()[0], ["201"])
    check.equal("a create where there is one", create()[0], ["200"])
    update = lambda: server.put_json(f"Patient?{where}", patient(10, active=True)).json()
    check.equal("an update by criteria", update()["meta"]["versionId"], "2")
    Patient(patient(10)).create(server)
    check.equal("criteria that select several", refused(create), (412, "multiple-matches"))
    check.equal("several, to be updated", refused(update), (412, "multiple-matches"))
    delete = lambda: server.delete_json(f"Patient?{where}")
    check.equal("several, to be deleted", refused(delete), (412, "multiple-matches"))
    Patient.where({"identifier": f"{SYSTEM}|10"}).perform_resources(server)[0].delete(server)
    check.equal("one, to be deleted", delete().status_code, 204)
    check.equal("none, to be deleted", delete().status_code, 204)
    check.equal("an update by criteria creates", send(entry("PUT", f"Patient?{where}", patient(10)))[0], ["201"])
    check.equal("a delete by criteria in a transaction", send(entry("DELETE", f"Patient?{where}"))[0], ["204"])
    check.equal("nothing is left", len(Patient.where({"identifier": f"{SYSTEM}|10"}).perform_resources(server)), 0)


def patches():
    one = stored(Patient(patient(20)).create(server))
    url = f"Patient/{one.id}"
    patch = json.dumps([{"op": "add", "path": "/gender", "value": "other"}]).encode()
    binary = {"resourceType": "Binary", "contentType": "application/json-patch+json",
              "data": base64.b64encode(patch).decode()}
    check.equal("JSON Patch", send(entry("PATCH", url, binary))[0], ["200"])
    check.equal("it was patched", Patient.read(one.id, server).gender, "other")
    body = fhirpath_patch("Patient.gender", "Code", "female")
    check.equal("FHIRPath Patch", send(entry("PATCH", url, body, ifMatch='W/"2"'))[0], ["200"])
    check.equal("it was patched again", Patient.read(one.id, server).gender, "female")
    stale = lambda: send(entry("PATCH", url, body, ifMatch='W/"2"'))
    check.equal("a stale version", refused(stale), (412, "conflict"))
    one.delete(server)


def bundles():
    told = Bundle(Bundle(transaction(uuid.uuid4().urn, 30)).create(server))
    check.equal("a transaction creates", [one.response.status[:3] for one in told.entry], ["201", "201"])
    subject, record = [one.response.location.split("/")[-3] for one in told.entry]
    of = Observation.read(record, server)
    check.equal("the urn became a reference", of.subject.reference, f"Patient/{subject}")
    broken = transaction(uuid.uuid4().urn, 31)
    broken["entry"][1]["resource"]["status"] = "unheard-of"
    check.equal("a broken transaction is refused", refused(lambda: server.post_json("", broken)), (422, "code-invalid"))
    check.equal("and leaves nothing", len(Patient.where({"identifier": f"{SYSTEM}|31"}).perform_resources(server)), 0)
    statuses, answer = send(entry("GET", f"Patient/{subject}"), entry("GET", "Patient/never-there"),
                            entry("DELETE", f"Observation/{record}"), kind="batch")
    check.equal("a batch answers each", statuses, ["200", "404", "204"])
    check.equal("with the outcome of each", answer.entry[1].response.outcome.issue[0].code, "not-found")
    Patient.read(subject, server).delete(server)


def operations():
    validate = lambda resource: operationoutcome.OperationOutcome(server.post_json("Patient/$validate", resource).json())
    errors = lambda outcome: [one.code for one in outcome.issue if one.severity in ("error", "fatal")]
    check.equal("$validate finds nothing", errors(validate(patient(40))), [])
    check.equal("$validate finds the fault", errors(validate(patient(40, gender="unheard-of"))), ["code-invalid"])
    letter = Bundle.read_from(f"EpisodeOfCare/{EPISODE}/$episode-summary", server)
    check.equal("$episode-summary is a document", (letter.type, letter.entry[0].resource.resource_type), ("document", "Composition"))
    capabilities = server.capabilityStatement
    check.equal("capabilities are of R4", capabilities.fhirVersion, "4.0.1")
    named = {(resource.type, one.name) for resource in capabilities.rest[0].resource for one in resource.operation or []}
    if ("Observation", "lastn") in named:
        found = Bundle.read_from(f"Observation/$lastn?patient={PATIENT}&category=survey&max=1", server)
        check("$lastn finds", found.type == "searchset" and len(found.entry) > 0)
    if ("Patient", "everything") in named:
        found = Bundle.read_from(f"Patient/{PATIENT}/$everything", server)
        check("$everything finds", "Patient" in {one.resource.resource_type for one in found.entry})
    lookup = server.request_json("CodeSystem/$lookup?system=http://hl7.org/fhir/administrative-gender&code=male")
    check("$lookup answers in Parameters", parameters.Parameters(lookup).parameter)


def main():
    for part in [life_of_a_resource, searches, conditional, patches, bundles, operations]:
        try:
            part()
        except fhirabstractbase.FHIRValidationError as error:
            check(f"{part.__name__}: the answer is of R4", False, str(error))
    check.end(least=45)


if __name__ == "__main__":
    main()
