// Coming and going: sign-in, the first look, sign-out; and what is shown when this device cannot go on.

import { now } from "../clock.js";
import { h } from "../dom.js";
import { writeMeta } from "../store.js";
import { t, told, when } from "../texts.js";
import { title } from "./common.js";

/** @typedef {import("../app.js").App} App */

/** @param {App} app */
export function signIn(app) {
  return {
    title: t("sign_in"),
    bare: true,
    view: [title(t("sign_in")), h("p.big", app.fetchError ? t("key_wrong") : t("sign_in_text")), app.waiting().length ? h("p.mid", t("key_over", { n: app.waiting().length })) : null],
    deck: [{ id: "try", label: t("try_again"), on: () => location.reload() }],
  };
}

/** @param {App} app */
export function welcome(app) {
  const herds = [...(app.book["herds"]?.values() ?? [])].map((herd) => herd.name).join(", ");
  const at = app.meta["snapshot_at"];
  const isBad = app.meta["signed_out"];
  return {
    title: t("signed_in"),
    bare: true,
    view: [
      title(isBad ? t("sign_in") : at ? t("signed_in") : t("getting")),
      isBad
        ? h("p.big", t("key_wrong"))
        : at
          ? h("div", h("p.big", [app.meta["name"], told(`role_${app.meta["role"]}`, "")].filter(Boolean).join(", ")), h("p.mid", t("herds_are", { herds })), h("p.mid", t("data_of", { time: when(at, now()) })))
          : h("p.mid", t("getting_hint")),
      h("p.mid", t("add_home")),
      h("p.mid", t("no_sound_behind")),
    ],
    deck: [
      at && !isBad
        ? {
            id: "done",
            label: t("done"),
            look: "next tall",
            on: async () => {
              await writeMeta(app.db, { welcome: undefined });
              await app.changed();
              app.go("round");
            },
          }
        : { id: "try", label: t("try_again"), on: () => void app.fetchBook() },
    ],
  };
}

/** @param {App} app */
export function signOut(app) {
  const n = app.waiting().length;
  return {
    title: t("sign_out_title"),
    view: [title(t("sign_out_title")), h("p.big", n ? t("sign_out_waits", { n }) : t("sign_out_none"))],
    deckLabel: t("sign_out_title"),
    deck: [
      ...(n ? [{ id: "send", label: t("send_now"), look: "next", on: () => app.sender.kick({ now: true }) }] : []),
      {
        id: "out",
        label: t("sign_out_do"),
        rare: true,
        on: async () => {
          await app.signOut();
          app.go("sign_in");
        },
      },
      { id: "back", label: t("back_round"), on: () => app.go("round") },
    ],
  };
}

/** This device cannot keep anything more: nothing was confirmed. @param {App} app */
export function cannot(app) {
  return {
    title: t("cannot_keep"),
    bare: true,
    view: [h("div.plate.solid", h("h1.huge", t("cannot_keep")), h("p.huge", t("write_down"))), h("p.mid", t("cannot_text")), h("p.quiet", String(app.cannot?.cause ?? ""))],
    deck: [
      {
        id: "try",
        label: t("try_again"),
        on: async () => {
          app.cannot = null;
          await app.changed();
        },
      },
    ],
  };
}

/** @param {App} app @param {Error} [error] */
export function broken(app, error) {
  const what = error ?? app.mind["broken"];
  return {
    title: t("broken"),
    bare: true,
    view: [title(t("broken")), h("p.mid", t("broken_text", { n: app.waiting().length, detail: String(what?.message ?? what ?? "") }))],
    deck: [
      { id: "back", label: t("back_round"), look: "next", on: () => app.go("round") },
      { id: "try", label: t("try_again"), on: () => location.reload() },
    ],
  };
}
