// A technician's phone before the program: a browser context of its own, with a wire of its own.

import { PHONE, installed, signIn } from "./browser.js";
import { Wire } from "./service.js";

/**
 * @param {any} t the test, which puts it away @param {any} browser @param {import("./service.js").Service} service @param {string} key
 * @param {{shiftMs?: number, before?: (page: any) => Promise<void>, context?: object, wire?: Wire}} [how]
 */
export async function phone(t, browser, service, key, { before, context: options, wire: given } = {}) {
  const wire = given ?? (await new Wire(service).start());
  if (!given) t.after(() => wire.stop());
  const context = await browser.newContext({ viewport: PHONE, locale: "en-GB", timezoneId: "UTC", ...options });
  t.after(() => context.close());
  const page = await context.newPage();
  await before?.(page);
  await signIn(page, wire.base, key);
  await installed(page);
  return { wire, context, page };
}

/** The bath is right and the straw is out: to where IN BATH is tapped. */
export async function straightOut(tap, page) {
  for (const id of ["go", "bath", "shows", "straw", "out"]) await tap(page, id);
}
