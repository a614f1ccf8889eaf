// Tokens by a general OAuth 2.0 client library (openid-client, with jose for the keys): the grant of
// backend services with private_key_jwt.
//
//     client_oauth.mjs BASE PRIVATE-JWK...
import { readFileSync } from "node:fs";
import { importJWK } from "jose";
import * as client from "openid-client";

const [base, ...files] = process.argv.slice(2);
const told = await (await fetch(`${base}/.well-known/smart-configuration`)).json();
const server = { ...told, issuer: base };
for (const file of files) {
  const jwk = JSON.parse(readFileSync(file, "utf8"));
  const key = { key: await importJWK(jwk, jwk.alg), kid: jwk.kid };
  // The guide wants the token endpoint as the audience; the library by itself names the issuer.
  const aud = { [client.modifyAssertion]: (_, payload) => { payload.aud = told.token_endpoint; } };
  const config = new client.Configuration(server, "clinic", undefined, client.PrivateKeyJwt(key, aud));
  client.allowInsecureRequests(config);
  const given = await client.clientCredentialsGrant(config, { scope: "system/Patient.rs" });
  if (given.scope !== "system/Patient.rs" || given.expires_in > 300) throw new Error(JSON.stringify(given));
  const send = (path) => client.fetchProtectedResource(config, given.access_token, new URL(`${base}/${path}`), "GET");
  const statuses = [];
  for (const path of ["Patient", "Observation"]) {
    try {
      statuses.push((await send(path)).status);
    } catch (error) {
      statuses.push(error.status ?? error.cause?.status ?? String(error));
    }
  }
  if (statuses.join() !== "200,403") throw new Error(`${jwk.kid}: ${statuses}`);
}
console.log("openid-client: tokens hold for what they say");
