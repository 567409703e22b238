// An invented farm, entered over HTTP: nothing here exists. Its sires carry stud number 0 and letters of no stud, its dates count
// back from now.

const HOUR = 3_600_000;
const DAY = 24 * HOUR;
const ago = (ms) => new Date(Date.now() - ms).toISOString();
/** The zone in which it is noon now: what is due on a day is then the same at any hour. */
export function noonZone() {
  const east = 12 - new Date().getUTCHours();
  return `Etc/GMT${east > 0 ? "-" : "+"}${Math.abs(east)}`;
}
const dayAgo = (ms) => ago(ms).slice(0, 10);

/**
 * @param {import("./service.js").Service} service
 * @param {{cows?: number, thawS?: number, straws?: number, zone?: string}} [how] more cows on their second service (201 and on); how long
 * straws thaw; how many straws of the first sire; where the herds are
 */
export async function enterFarm(service, { cows = 0, thawS, straws = 6, zone = noonZone() } = {}) {
  const thaw = thawS === undefined ? undefined : { min_c: 35, max_c: 37, aim_c: 35.6, min_s: thawS, use_within_s: 900 };
  const post = (where, body) => service.post(where, body);
  const herd = await post("/v1/herds", { name: "Lower Meadow", time_zone: zone, thaw });
  const ridge = await post("/v1/herds", { name: "Upper Ridge", time_zone: zone });
  const tank = (name, herdId) =>
    post("/v1/tanks", { name, herd_id: herdId, canisters: 6, capacity_l: 24, full_depth_mm: 430, min_depth_mm: 150, static_loss_l_per_day: 0.12 });
  const own = await tank("Technician's tank", null);
  const dairy = await tank("Dairy room tank", herd.id);
  const sire = (name, breed, code) => post("/v1/sires", { name, breed, identifiers: [{ scheme: "uniform-code", id: code }] });
  const pine = await sire("Made-up Pine", "LIM", "0LM110");
  const larch = await sire("Made-up Larch", "HOL", "0HO123");
  const oak = await sire("Made-up Oak", "HOL", "0HO127");
  const lot = (of, type, batch) => post("/v1/lots", { sire_id: of.id, semen_type: type, batch, straw_ml: 0.25, collected_on: dayAgo(400 * DAY) });
  const lots = {
    pine: await lot(pine, "conventional", "25014-34"),
    oak: await lot(oak, "conventional", "26074-09"),
    larch: await lot(larch, "sexed_female", "26108-07"),
  };
  const place = (in_, canister, cane, goblet) => ({ tank_id: in_.id, canister, cane, goblet });
  const places = { pine: place(own, 6, "B", "lower"), oak: place(own, 3, "A", "upper"), larch: place(dairy, 3, "A", "lower") };
  const receipt = (of, at, straws) => post("/v1/receipts", { lot_id: of.id, place: at, straws, received_at: ago(90 * DAY) });
  await receipt(lots.pine, places.pine, straws);
  await receipt(lots.oak, places.oak, 1);
  await receipt(lots.larch, places.larch, 8);
  const animals = {};
  const animal = async (number, born, of = herd) => (animals[number] = await post("/v1/animals", { herd_id: of.id, number, born_on: dayAgo(born) }));
  const heat = (number, hours) => post("/v1/heats", { animal_id: animals[number].id, standing_at: ago(hours * HOUR), method: "seen" });
  const calving = (number, days) => post("/v1/calvings", { animal_id: animals[number].id, calved_at: ago(days * DAY) });
  const before = (number, days) => post("/v1/services", { animal_id: animals[number].id, sire_id: larch.id, semen_type: "sexed_female", served_at: ago(days * DAY) });
  for (const [number, services] of [["102", 1], ["109", 2], ["110", 1]]) {
    await animal(number, 1500 * DAY);
    await calving(number, 120);
    for (let i = services; i > 0; i--) await before(number, 21 * i);
    await heat(number, number === "110" ? 12 : 8);
  }
  await Promise.all(
    Array.from({ length: cows }, async (_, i) => {
      const number = String(201 + i);
      await animal(number, 1400 * DAY);
      await calving(number, 130);
      await before(number, 21);
      await heat(number, 7);
    }),
  );
  for (const number of ["101", "104"]) {
    await animal(number, 480 * DAY);
    await heat(number, 10);
  }
  await animal("106", 1500 * DAY);
  await calving("106", 200);
  await before("106", 98);
  await post("/v1/pregnancy-checks", { animal_id: animals["106"].id, checked_at: ago(60 * DAY), method: "ultrasound", result: "pregnant" });
  await heat("106", 9);
  await animal("108", 1600 * DAY);
  await post("/v1/do-not-breed", { animal_id: animals["108"].id });
  await heat("108", 9);
  await animal("301", 480 * DAY, ridge);
  await heat("301", 10);
  for (const [of, mm, hours] of [[own, 260, 300], [own, 210, 2], [dairy, 340, 400], [dairy, 310, 2]]) {
    await post(`/v1/tanks/${of.id}/nitrogen-readings`, { read_at: ago(hours * HOUR), depth_mm: mm, frost: "none" });
  }
  return { herd, ridge, tanks: { own, dairy }, sires: { pine, larch, oak }, lots, places, animals };
}
