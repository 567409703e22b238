/** @typedef {import("../app.js").App} App */
export class Office {
  /** @param {App} app */
  constructor(app) {
    this.app = app;
  }
  start() {}
  changed() {}
}
