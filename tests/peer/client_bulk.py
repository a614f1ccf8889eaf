#!/usr/bin/env python3
"""SMART backend services and bulk exports by clients of other origin, against a server that asks for tokens.

    client_bulk.py SPONDYL WORK

Authlib gets tokens with private_key_jwt, in both algorithms; openid-client (npm) does the same
(client_oauth.mjs); smart-fetch, a published bulk client, discovers, authenticates, kicks off, waits and
fetches. What it fetched is compared with what searches count. The keys are made by joserfc, and the
program's own commands sign with them too, read as JWK and as PEM.
"""
import json
import pathlib
import shutil
import subprocess
import sys
import tempfile
import time

import requests
from authlib.integrations.base_client.errors import OAuthError
from authlib.integrations.requests_client import OAuth2Session
from authlib.oauth2.rfc7523 import PrivateKeyJWT
from joserfc.jwk import ECKey, RSAKey

ROOT = pathlib.Path(__file__).resolve().parents[2]
SPONDYL = pathlib.Path(sys.argv[1]).resolve()
WORK = pathlib.Path(sys.argv[2]).resolve()
done = 0


def check(what, holds, seen=""):
    global done
    if not holds:
        sys.exit(f"client_bulk: {what}: {seen}")
    done += 1


def run(*words, code=0):
    ended = subprocess.run([SPONDYL, *words], capture_output=True, text=True)
    check(" ".join(map(str, words[:3])), ended.returncode == code, ended.stderr)
    check("no key is shown", "PRIVATE" not in ended.stderr, ended.stderr)
    return ended


def keys(home):
    made = {}
    for kid, key, algorithm in [("rsa-1", RSAKey.generate_key(2048), "RS384"), ("ec-1", ECKey.generate_key("P-384"), "ES384")]:
        extra = {"kid": kid, "alg": algorithm, "use": "sig"}
        public = {**key.as_dict(private=False), **extra}
        private = {**key.as_dict(private=True), **extra}
        # As each client wants it: a set, with what may be done with the key.
        signing = {**private, "key_ops": ["sign"]}
        del signing["use"]
        (home / f"{kid}.jwk").write_text(json.dumps(private))
        (home / f"{kid}.jwks").write_text(json.dumps({"keys": [signing]}))
        (home / f"{kid}.pem").write_bytes(key.as_pem(private=True))
        for file in home.glob(f"{kid}.*"):
            file.chmod(0o600)
        made[kid] = (key, algorithm, public)
    (home / "public.jwks").write_text(json.dumps({"keys": [public for _, _, public in made.values()]}))
    return made


def serve(home):
    words = [SPONDYL, "serve", "--access", "smart", "--listen", "127.0.0.1:0", "--data", home / "data"]
    server = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    for line in server.stdout:
        if "http://127.0.0.1:" in line:
            return server, line[line.index("http://127.0.0.1:"):].split("/fhir")[0] + "/fhir"
    sys.exit("client_bulk: the server did not say where it listens")


def token(key, kid, algorithm, endpoint, scope, client="clinic"):
    session = OAuth2Session(client, key, token_endpoint_auth_method="private_key_jwt", scope=scope)
    # By itself it would sign for an hour; the guide allows five minutes.
    claims = {"exp": int(time.time()) + 240}
    session.register_client_auth_method(PrivateKeyJWT(endpoint, claims, {"kid": kid}, algorithm))
    return session.fetch_token(endpoint, grant_type="client_credentials")


def tokens(base, made):
    found = requests.get(f"{base}/.well-known/smart-configuration", timeout=30).json()
    endpoint = found["token_endpoint"]
    for kid, (key, algorithm, _) in made.items():
        check(f"{algorithm} is offered", algorithm in found["token_endpoint_auth_signing_alg_values_supported"])
        given = token(key, kid, algorithm, endpoint, "system/*.rs")
        check("a bearer token for five minutes at most", given["token_type"].lower() == "bearer" and given["expires_in"] <= 300)
        headers = {"Authorization": f"Bearer {given['access_token']}"}
        check("it reads", requests.get(f"{base}/Patient", headers=headers, timeout=30).status_code == 200)
        written = requests.post(f"{base}/Patient", headers=headers, json={"resourceType": "Patient", "active": True}, timeout=30)
        check("and does not write", written.status_code == 403, written.text)
    (rsa, _, _), (ec, _, _) = made.values()
    for what, arguments in {
        "the key of another family": (ec, "rsa-1", "ES384"),
        "a kid that is none": (rsa, "rsa-2", "RS384"),
        "an algorithm that is not offered": (rsa, "rsa-1", "RS256"),
        "another client": (rsa, "rsa-1", "RS384"),
    }.items():
        try:
            token(*arguments, endpoint, "system/*.rs", "nobody" if what == "another client" else "clinic")
        except OAuthError as refused:
            check(f"{what} is refused", refused.error == "invalid_client", refused)
        else:
            check(f"{what} is refused", False)
    return token(rsa, "rsa-1", "RS384", endpoint, "system/*.cruds")["access_token"]


def count(base, bearer, kind):
    headers = {"Authorization": f"Bearer {bearer}"}
    answer = requests.get(f"{base}/{kind}?_summary=count", headers=headers, timeout=60)
    return answer.json()["total"]


def bulk(home, base, bearer):
    """smart-fetch's names: a file of lines for each type."""
    kinds = ["Patient", "Encounter", "Observation", "Procedure", "Condition"]
    output = home / "bulk"
    fetch = shutil.which("smart-fetch", path=str(pathlib.Path(sys.executable).parent))
    words = [fetch, "bulk", "--fhir-url", base, "--smart-client-id", "clinic", "--smart-key", home / "rsa-1.jwks",
             "--type", ",".join(kinds), "--no-default-filters", "--no-compression", output]
    ended = subprocess.run(words, capture_output=True, text=True, timeout=300)
    check("smart-fetch exports", ended.returncode == 0, ended.stdout + ended.stderr)
    for kind in kinds:
        files = [file for file in output.rglob("*.ndjson") if file.name.split(".")[0] == kind]
        lines = [json.loads(line) for file in files for line in file.read_text(encoding="utf-8").splitlines()]
        check(f"all of {kind}", len(lines) == count(base, bearer, kind) > 0, f"{len(lines)} of {count(base, bearer, kind)}")
        check("each once", len({line["id"] for line in lines}) == len(lines))


def main():
    home = pathlib.Path(tempfile.mkdtemp(dir=WORK))
    made = keys(home)
    run("client", "add", "clinic", "--scope", "system/*.cruds", "--jwks", home / "public.jwks", "--data", home / "data")
    server, base = serve(home)
    try:
        load = ["load", ROOT / "src/demo/clinic", "--server", base, "--journal", home / "journal", "--again"]
        run(*load, code=1)
        run(*load, "--client-id", "clinic", "--client-key", home / "rsa-1.jwk")
        run(*load, "--client-id", "clinic", "--client-key", home / "ec-1.pem", "--client-key-id", "ec-1")
        bearer = tokens(base, made)
        peer = ["node", WORK / "client_oauth.mjs", base, home / "ec-1.jwk", home / "rsa-1.jwk"]
        ended = subprocess.run(peer, capture_output=True, text=True)
        check("openid-client", ended.returncode == 0, ended.stdout + ended.stderr)
        bulk(home, base, bearer)
    finally:
        server.terminate()
        server.wait()
    shutil.rmtree(home)
    print(f"client_bulk: {done} checks hold")


main()
