// The round through a client made of the types that openapi-typescript makes, and openapi-fetch.
//
//     URL=... KEY=... node round.js
import createClient from "openapi-fetch";

import type { components, paths } from "./api.js";

type Problem = components["schemas"]["Problem"];

declare const process: { env: Record<string, string | undefined> };

const { URL: baseUrl = "", KEY: key = "" } = process.env;
const client = createClient<paths>({ baseUrl, headers: { Authorization: `Bearer ${key}` } });
const once = () => ({ header: { "Idempotency-Key": crypto.randomUUID() } });

function must(holds: boolean, told: unknown): asserts holds {
  if (!holds) throw new Error(JSON.stringify(told));
}

/** What was answered, which must not be a problem. */
function done<T>(answer: { data?: T; error?: unknown }): T {
  if (answer.data === undefined) throw new Error(JSON.stringify(answer.error));
  return answer.data;
}

const herd = done(await client.POST("/v1/herds", { body: { name: "Lower Meadow", time_zone: "Europe/Vienna" } }));
const tank = done(await client.POST("/v1/tanks", { body: { name: "Dairy room", herd_id: herd.id, canisters: 6 } }));
const sire = done(await client.POST("/v1/sires", { body: { name: "Invented One", breed: "HOL" } }));
const lot = done(
  await client.POST("/v1/lots", {
    body: { sire_id: sire.id, semen_type: "sexed_female", straw_ml: 0.25, collected_on: "2024-04-26" },
  }),
);
must(lot.straw_ml === 0.25, lot);
const place = { tank_id: tank.id, canister: 3, cane: "B" };
done(await client.POST("/v1/receipts", { params: once(), body: { lot_id: lot.id, place, straws: 10 } }));
const animal = done(
  await client.POST("/v1/animals", { body: { herd_id: herd.id, number: "412", born_on: "2023-05-02" } }),
);

const choice = done(await client.GET("/v1/animals/{id}/next-service", { params: { path: { id: animal.id } } }));
must(choice.service_number === 1 && choice.semen_types[0] === "sexed_female", choice);
const candidate = choice.candidates[0];
must(candidate !== undefined && candidate.lot.id === lot.id && candidate.place.canister === 3, choice);

// More straws than there are: the problem has members of its own beside the common ones.
const refused = await client.POST("/v1/withdrawals", {
  params: once(),
  body: { animal_id: animal.id, lot_id: lot.id, straws: 11 },
});
const problem: Problem | undefined = refused.error;
must(problem?.status === 409 && problem.type === "/problems/not-in-stock" && problem.available === 10, refused);

// A retry with the same key is the same withdrawal.
const act = { params: once(), body: { animal_id: animal.id, sire_id: sire.id, technician: "T. Example" } };
const taken = done(await client.POST("/v1/withdrawals", act));
const again = await client.POST("/v1/withdrawals", act);
must(again.response.headers.get("Idempotent-Replayed") === "true" && again.data?.id === taken.id, again);
must(taken.state === "out" && taken.thaw_started_at === null, taken);
const path = { id: taken.id };
const thawing = done(
  await client.POST("/v1/withdrawals/{id}/thaw", { params: { path, ...once() }, body: { bath_temp_c: 35.6 } }),
);
must(thawing.use_by !== null && !Number.isNaN(Date.parse(thawing.use_by)), thawing);
const service = done(await client.POST("/v1/services", { params: once(), body: { withdrawal_id: taken.id } }));
must(service.animal_id === animal.id && service.service_number === 1, service);

const stock = done(await client.GET("/v1/stock", { params: { query: { lot_id: lot.id } } }));
must(stock.total_straws === 9 && stock.items.length === 1, stock);
console.log("TypeScript: the whole round");
