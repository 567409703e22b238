// What each story ends with: every act once, in order, and a book that adds up.

import assert from "node:assert/strict";

const KINDS = [
  [/^\/v1\/withdrawals$/, "out"],
  [/\/thaw$/, "bath"],
  [/^\/v1\/services$/, "serve"],
  [/\/discard$/, "discard"],
  [/nitrogen-readings$/, "reading"],
  [/\/reversal$/, "put back"],
  [/^\/v1\/heats$/, "heat"],
  [/^\/v1\/pregnancy-checks$/, "check"],
  [/^\/v1\/stocktakes$/, "count"],
  [/^\/v1\/holds$/, "hold"],
];
const kindOf = (where) => KINDS.find(([pattern]) => pattern.test(where))?.[1] ?? where;

/** The acts that the program did, by the order in which it did them: a repeat is not done again. */
export const done = (wire) => wire.acts.filter((act) => act.status < 300 && !act.replayed).map((act) => kindOf(act.path));

/** Every act was done once, in this order, under a key of its own. */
export function onceInOrder(wire, expected) {
  assert.deepEqual(done(wire), expected);
  const keys = wire.acts.filter((act) => act.status < 300 && !act.replayed).map((act) => act.key);
  assert.equal(new Set(keys).size, keys.length, "one key for each act");
}

export function adds(service) {
  const { status, text } = service.verify();
  assert.equal(status, 0, text);
}

/** The only withdrawal for that animal, as the book has it. */
export async function withdrawalOf(service, animalId) {
  const { items } = await service.get(`/v1/withdrawals?animal_id=${animalId}&limit=10`);
  assert.equal(items.length, 1, `one withdrawal, not ${items.length}`);
  return items[0];
}
