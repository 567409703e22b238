//! The real service over HTTP, asked what the model is asked, and compared with it.

use std::collections::HashMap;
use tankside::{
    book::access::key as keys,
    domain::{
        access::Role,
        animals::{
            animal::{Animal, AnimalDetails},
            herd::{Herd, HerdDetails},
        },
        form::{Field, InputPath, read},
        nitrogen::tank::{Tank, TankDetails},
        straws::{
            lot::{Lot, LotDetails},
            sire::{Sire, SireDetails},
        },
        values::{AnimalId, BusinessId, HerdId, LotId, Name, SireId, TankId, Timestamp},
    },
    store::{self, Db, Tx},
};

use chrono::{DateTime, SecondsFormat, TimeDelta};
use reqwest::Method;
use serde_json::{Map, Value, json};
use tokio::sync::Mutex;
use uuid::Uuid;

use super::{
    commands::{AnimalEvent, Command, Order, Place, Semen},
    farm::{ANIMALS, CANISTERS, DAY, LOTS, SIRES, START, TANKS, choice_rule},
    rules::{Answer, item_key},
};
use crate::world::{self, Client, MORNING, World};

/// Farms that are founded in one transaction.
const FARMS_AT_ONCE: usize = 20;

/// One store's service, and farms to play on.
pub struct Service {
    pub world: World,
    db: Db,
    farms: Mutex<Vec<Farm>>,
}

/// A farm of a business of its own, just founded.
struct Farm {
    manager: Client,
    technician: Client,
    names: Names,
}

/// What the service calls by an id has a name in the model, such as `lot 2`.
#[derive(Clone, Default)]
struct Names {
    by_id: HashMap<Uuid, String>,
    by_name: HashMap<String, Uuid>,
}

impl Names {
    fn give(&mut self, name: String, id: Uuid) {
        self.by_id.insert(id, name.clone());
        self.by_name.insert(name, id);
    }

    /// The id of a thing; one that names nothing when the model knows no such thing.
    fn id(&self, thing: &str, n: usize) -> String {
        self.by_name.get(&format!("{thing} {n}")).copied().unwrap_or_else(|| Uuid::from_u128(7)).to_string()
    }

    /// Names the ids in `actual` where `expected` has the names of things that are new.
    fn learn(&mut self, expected: &Value, actual: &Value) {
        match (expected, actual) {
            (Value::String(name), Value::String(id)) => {
                let Ok(id) = Uuid::try_parse(id) else { return };
                if !self.by_name.contains_key(name) && !self.by_id.contains_key(&id) {
                    self.give(name.clone(), id);
                }
            }
            (Value::Object(expected), Value::Object(actual)) => {
                for (member, expected) in expected {
                    self.learn(expected, actual.get(member).unwrap_or(&Value::Null));
                }
            }
            (Value::Array(expected), Value::Array(actual)) => {
                expected.iter().zip(actual).for_each(|(expected, actual)| self.learn(expected, actual));
            }
            _ => {}
        }
    }

    /// The text with every id by its name; what the model does not name is numbered as it comes.
    fn named(&mut self, text: &str) -> String {
        // An id is 36 characters long and has its first hyphen behind the eighth.
        const BEFORE: usize = 8;
        const LENGTH: usize = 36;
        let (mut named, mut rest) = (String::with_capacity(text.len()), text);
        while let Some(hyphen) = rest.find('-') {
            let from = hyphen.saturating_sub(BEFORE);
            let id = rest.get(from..from + LENGTH).and_then(|id| Uuid::try_parse(id).ok());
            if let Some(id) = id {
                let next = format!("unnamed {}", self.by_id.len());
                named.push_str(&rest[..from]);
                named.push_str(self.by_id.entry(id).or_insert(next));
                rest = &rest[from + LENGTH..];
            } else {
                named.push_str(&rest[..=hyphen]);
                rest = &rest[hyphen + 1..];
            }
        }
        named.push_str(rest);
        named
    }
}

/// A field of the rules as a client sends it.
fn details<T: Field>(sent: &Value) -> T {
    read(sent, &InputPath::body()).unwrap()
}

fn day(seconds: i64) -> String {
    let at = world::instant(MORNING) + TimeDelta::seconds(seconds);
    at.date_naive().to_string()
}

fn moment(seconds: i64) -> String {
    let at: DateTime<_> = world::instant(MORNING) + TimeDelta::seconds(seconds);
    at.to_rfc3339_opts(SecondsFormat::Secs, true)
}

impl Farm {
    async fn found(tx: &mut Tx, world: &World) -> Self {
        let created_at = Timestamp::from(world::instant(MORNING));
        let name = |text| Name::parse(text).unwrap();
        let business = BusinessId::new();
        store::access::business::add(tx, business, &name("A farm"), created_at).await.unwrap();
        let mut clients = Vec::new();
        for role in [Role::Manager, Role::Technician] {
            let (_, secret) =
                keys::create(tx, business, name("A key"), role, None, created_at).await.unwrap();
            clients.push(world.manager.with_key(secret.reveal()));
        }
        let mut names = Names::default();
        for n in 0..2 {
            let mut sent = json!({"name": "A herd", "time_zone": "Etc/UTC"});
            if n == 1 {
                sent["choice_rule"] = choice_rule();
            }
            let herd = Herd { id: HerdId::new(), details: details::<HerdDetails>(&sent), created_at };
            store::animals::herd::add(tx, business, &herd).await.unwrap();
            names.give(format!("herd {n}"), herd.id.0);
        }
        for (n, herd) in TANKS.iter().enumerate() {
            let herd = herd.map(|herd| names.id("herd", herd));
            let sent = json!({"name": "A tank", "canisters": CANISTERS, "herd_id": herd});
            let tank = Tank { id: TankId::new(), details: details::<TankDetails>(&sent), created_at };
            store::nitrogen::tank::add(tx, business, &tank).await.unwrap();
            names.give(format!("tank {n}"), tank.id.0);
        }
        for n in 0..SIRES {
            let details: SireDetails = details(&json!({"name": "Invented One"}));
            let sire = Sire { id: SireId::new(), details, created_at };
            store::straws::sire::add(tx, business, &sire).await.unwrap();
            names.give(format!("sire {n}"), sire.id.0);
        }
        for (n, lot) in LOTS.iter().enumerate() {
            let sent = json!({"sire_id": names.id("sire", lot.sire), "semen_type": lot.semen_type,
                              "collected_on": lot.collected_on,
                              "owner_herd_id": lot.owner.map(|herd| names.id("herd", herd))});
            let lot = Lot { id: LotId::new(), details: details::<LotDetails>(&sent), created_at };
            store::straws::lot::add(tx, business, &lot).await.unwrap();
            names.give(format!("lot {n}"), lot.id.0);
        }
        for (n, animal) in ANIMALS.iter().enumerate() {
            let sent = json!({"herd_id": names.id("herd", animal.herd), "number": n.to_string(),
                              "born_on": day(START - animal.age_at_start * DAY),
                              "sire_id": animal.sire.map(|sire| names.id("sire", sire))});
            let animal = Animal { id: AnimalId::new(), details: details::<AnimalDetails>(&sent), created_at };
            store::animals::animal::add(tx, business, &animal).await.unwrap();
            names.give(format!("animal {n}"), animal.id.0);
        }
        let technician = clients.pop().unwrap();
        Self { manager: clients.pop().unwrap(), technician, names }
    }
}

impl Service {
    pub async fn new(world: World) -> Self {
        let db = Db::open(&world.database_url).await.unwrap();
        Self { world, db, farms: Mutex::default() }
    }

    /// The service stops, and every book in its store must add up.
    pub async fn close(self) {
        self.db.close().await;
        self.world.close().await;
    }

    /// A new play on a farm where nothing has happened yet.
    pub async fn play(&self, own_ids: bool) -> Play {
        let mut farms = self.farms.lock().await;
        if farms.is_empty() {
            let mut tx = self.db.write().await.unwrap();
            for _ in 0..FARMS_AT_ONCE {
                farms.push(Farm::found(&mut tx, &self.world).await);
            }
            tx.commit().await.unwrap();
        }
        Play { farm: farms.pop().unwrap(), first: HashMap::new(), made: own_ids.then(HashMap::new), turns: 0 }
    }
}

/// A sequence being played on one store.
pub struct Play {
    farm: Farm,
    /// The first answer that is kept under each key.
    first: HashMap<String, String>,
    /// The ids that the client makes for its withdrawals, by their keys; none when the service makes them.
    made: Option<HashMap<String, Uuid>>,
    /// Milliseconds of the client's clock, so that its ids are in order.
    turns: u64,
}

/// What a disagreement is about, in words.
pub type Disagreement = String;

impl Play {
    /// Sends an act under a key. Gives the answer with names for ids, when it is what the model expects.
    pub async fn ask(&mut self, key: &str, act: &Command, expected: &Answer) -> Result<String, Disagreement> {
        self.make_ids(key, act);
        let (client, method, path, body) = self.request(key, act);
        let text = body.to_string().into_bytes();
        let mut headers = vec![("content-type", "application/json")];
        if !matches!(act, Command::Batch(_)) && !is_keyless(act) {
            headers.push(("idempotency-key", key));
        }
        let told = client.send(method, &path, &headers, text).await;
        let replayed = told.headers.get("idempotent-replayed").is_some();
        self.has_own_ids(key, act, told.status, &told.body)?;
        self.learn(expected, &told.body);
        let named = self.farm.names.named(&told.text);
        let mut body: Value = serde_json::from_str(&named).unwrap_or(Value::Null);
        sort_kinds(&mut body);
        if let Answer::Each(each) = expected {
            let results = body["results"].as_array().filter(|results| results.len() == each.len());
            let results = results.ok_or_else(|| format!("status {} for a batch: {named}", told.status))?;
            for (n, (expected, result)) in each.iter().zip(results).enumerate() {
                let status = u16::try_from(result["status"].as_u64().unwrap()).unwrap();
                self.compare(
                    &item_key(key, n),
                    expected,
                    status,
                    &result["body"],
                    result["replayed"] == true,
                )?;
            }
        } else {
            let key = if is_keyless(act) { "" } else { key };
            self.compare(key, expected, told.status, &body, replayed)?;
        }
        // Beside names, the mark of a version is all that differs between the stores: it covers the ids.
        let versioned = matches!(act, Command::SetStatus { .. });
        Ok(if versioned { told.status.to_string() } else { format!("{} {named}", told.status) })
    }

    /// Makes the ids of an act's withdrawals; what was kept and is sent again has the same again.
    fn make_ids(&mut self, key: &str, act: &Command) {
        match (act, &mut self.made) {
            (Command::Batch(steps), Some(_)) => {
                for (n, step) in steps.iter().enumerate() {
                    self.make_ids(&item_key(key, n), step);
                }
            }
            (Command::Withdraw(_), Some(made)) => {
                if !self.first.contains_key(key) {
                    made.remove(key);
                }
                let clock = u64::try_from(world::instant(MORNING).timestamp_millis()).unwrap();
                self.turns += 1;
                let random = Uuid::now_v7().into_bytes()[6..].try_into().unwrap();
                let id = uuid::Builder::from_unix_timestamp_millis(clock + self.turns, &random).into_uuid();
                made.entry(key.to_owned()).or_insert(id);
            }
            _ => {}
        }
    }

    /// The id that the client made for the withdrawal under a key.
    fn own_id(&self, key: &str) -> Option<String> {
        self.made.as_ref().map(|made| made[key].to_string())
    }

    /// Whether the withdrawals that came of it have the ids that the client gave them.
    fn has_own_ids(&self, key: &str, act: &Command, status: u16, body: &Value) -> Result<(), Disagreement> {
        match act {
            Command::Withdraw(_) if status == 201 => {
                self.own_id(key).map_or(Ok(()), |id| agree(&json!(id), &body["id"]))
            }
            Command::Batch(steps) => steps.iter().enumerate().try_for_each(|(n, step)| {
                let result = &body["results"][n];
                let status = u16::try_from(result["status"].as_u64().unwrap_or(0)).unwrap();
                self.has_own_ids(&item_key(key, n), step, status, &result["body"])
            }),
            _ => Ok(()),
        }
    }

    fn learn(&mut self, expected: &Answer, body: &Value) {
        match expected {
            Answer::Fresh(_, expected) => self.farm.names.learn(expected, body),
            Answer::Each(each) => {
                for (n, expected) in each.iter().enumerate() {
                    self.learn(expected, &body["results"][n]["body"]);
                }
            }
            Answer::Replayed => {}
        }
    }

    fn compare(
        &mut self,
        key: &str,
        expected: &Answer,
        status: u16,
        body: &Value,
        replayed: bool,
    ) -> Result<(), Disagreement> {
        let text = format!("{status} {body}");
        match expected {
            Answer::Each(_) => unreachable!("a batch is compared item by item"),
            Answer::Replayed if replayed && self.first.get(key) == Some(&text) => Ok(()),
            Answer::Replayed => Err(format!(
                "the first answer again is expected, {:?}, not (replayed: {replayed}) {text}",
                self.first.get(key)
            )),
            Answer::Fresh(..) if replayed => Err(format!("an answer from the past: {text}")),
            Answer::Fresh(expected_status, expected) => {
                if !key.is_empty() && matches!(status, 200..=299 | 409) {
                    self.first.insert(key.to_owned(), text);
                }
                agree(&json!(expected_status), &json!(status)).and_then(|()| agree(expected, body)).map_err(
                    |wrong| {
                        format!("{wrong}\nexpected {expected_status} {expected:#}\nwas {status} {body:#}")
                    },
                )
            }
        }
    }

    /// Reads everything and compares it. Gives it with names for ids.
    pub async fn read_all(&mut self, everything: &[(String, Value)]) -> Result<String, Disagreement> {
        let mut all = String::new();
        for (path, expected) in everything {
            let at = path.find('{').zip(path.find('}'));
            let path = match at {
                Some((from, to)) => {
                    format!(
                        "{}{}{}",
                        &path[..from],
                        self.farm.names.by_name[&path[from + 1..to]],
                        &path[to + 1..]
                    )
                }
                None => path.clone(),
            };
            let told = self.farm.manager.get(&path).await;
            if told.status != 200 {
                return Err(format!("GET {path}: status {}", told.status));
            }
            self.farm.names.learn(expected, &told.body);
            let named = self.farm.names.named(&told.text);
            let mut actual: Value = serde_json::from_str(&named).unwrap();
            sort_kinds(&mut actual);
            if path.starts_with("/v1/stock?") {
                // Listed by ids, which the model does not know.
                let brief = |item: &Value| json!({"lot": {"id": item["lot"]["id"]}, "place": item["place"], "straws": item["straws"]});
                let mut items: Vec<_> = actual["items"].as_array().unwrap().iter().map(brief).collect();
                items.sort_by_key(ToString::to_string);
                actual["items"] = json!(items);
            }
            agree(expected, &actual)
                .map_err(|wrong| format!("GET {path}: {wrong}\nexpected {expected:#}\nwas {actual:#}"))?;
            all.push_str(&named);
            all.push('\n');
        }
        Ok(all)
    }

    /// Who sends what where.
    fn request(&self, key: &str, act: &Command) -> (&Client, Method, String, Value) {
        let names = &self.farm.names;
        let lot = |n: &usize| names.id("lot", *n);
        let place = |place: &Place| self.place(place);
        let mut by_technician = false;
        let (path, body) = match act {
            Command::Receive { lot: of, place: at, straws } => {
                ("/v1/receipts".to_owned(), json!({"lot_id": lot(of), "place": place(at), "straws": straws}))
            }
            Command::Transfer { lot: of, from, to, straws } => (
                "/v1/transfers".to_owned(),
                json!({"lot_id": lot(of), "from": place(from), "to": place(to), "straws": straws}),
            ),
            Command::Discard { lot: of, place: at, straws } => (
                "/v1/discards".to_owned(),
                json!({"lot_id": lot(of), "place": place(at), "straws": straws, "reason": "exposed"}),
            ),
            Command::Send { lot: of, place: at, straws } => (
                "/v1/consignments".to_owned(),
                json!({"direction": "out", "party": {"name": "Invented Station"},
                       "lines": [{"lot_id": lot(of), "place": place(at), "straws": straws}]}),
            ),
            Command::Withdraw(order) => {
                by_technician = order.by_technician;
                ("/v1/withdrawals".to_owned(), Value::Object(self.order(key, order)))
            }
            Command::Batch(steps) => {
                by_technician = true;
                let item = |(n, step): (usize, &Command)| {
                    let (what, withdrawal) = match step {
                        Command::Thaw { withdrawal, .. } => ("thaw", Some(withdrawal)),
                        Command::DiscardWithdrawn { withdrawal } => ("discard", Some(withdrawal)),
                        Command::Serve { .. } => ("service", None),
                        _ => ("withdrawal", None),
                    };
                    let (_, _, _, mut item) = self.request(&item_key(key, n), step);
                    item["step"] = json!(what);
                    item["idempotency_key"] = json!(item_key(key, n));
                    if let Some(withdrawal) = withdrawal {
                        item["withdrawal_id"] = json!(names.id("withdrawal", *withdrawal));
                    }
                    item
                };
                ("/v1/withdrawals/batch".to_owned(), steps.iter().enumerate().map(item).collect())
            }
            Command::Thaw { withdrawal, bath, set_aside, by_technician: technicians, already_done, at } => {
                by_technician = *technicians;
                let mut body =
                    json!({"bath_temp_c": bath.parse::<f64>().unwrap(), "already_done": already_done});
                set_time(&mut body, "started_at", *at);
                if *set_aside {
                    body["override"] = json!({"reason": "agreed by telephone"});
                }
                (format!("/v1/withdrawals/{}/thaw", names.id("withdrawal", *withdrawal)), body)
            }
            Command::DiscardWithdrawn { withdrawal } => (
                format!("/v1/withdrawals/{}/discard", names.id("withdrawal", *withdrawal)),
                json!({"reason": "dropped"}),
            ),
            Command::Serve { withdrawal, already_done, misread, at } => {
                let mut body = json!({"withdrawal_id": names.id("withdrawal", *withdrawal),
                                      "already_done": already_done, "straw_read": straw_read(*misread)});
                set_time(&mut body, "served_at", *at);
                ("/v1/services".to_owned(), body)
            }
            Command::ServeForeign { animal, kind, at } => {
                let mut body = json!({"animal_id": names.id("animal", *animal), "kind": kind});
                set_time(&mut body, "served_at", *at);
                ("/v1/services".to_owned(), body)
            }
            Command::Report { animal, what, at } => self.report(*animal, *what, *at),
            Command::SetStatus { lot: of, status } => {
                let body = json!({"status": status});
                return (&self.farm.manager, Method::PATCH, format!("/v1/lots/{}", lot(of)), body);
            }
            Command::Hold { tank, canister } => {
                let body =
                    json!({"tank_id": names.id("tank", *tank), "canister": canister, "reason": "Doubt."});
                ("/v1/holds".to_owned(), body)
            }
            Command::Lift { hold } => {
                let path = format!("/v1/holds/{}", names.id("hold", *hold));
                return (&self.farm.technician, Method::DELETE, path, Value::Null);
            }
            Command::TakeStock { tank, canister, complete, as_of, counts } => {
                let count = |(of, at, straws): &(usize, Place, i64)| json!({"lot_id": lot(of), "place": place(at), "straws": straws});
                let body = json!({"tank_id": names.id("tank", *tank), "canister": canister, "complete": complete,
                                  "as_of_seq": as_of, "counts": counts.iter().map(count).collect::<Vec<_>>()});
                ("/v1/stocktakes".to_owned(), body)
            }
            Command::Accept { stocktake } => {
                (format!("/v1/stocktakes/{}/acceptance", names.id("stocktake", *stocktake)), json!({}))
            }
            Command::Reverse { line } => (
                format!("/v1/movements/{}/reversal", names.id("movement", *line)),
                json!({"reason": "wrong_data"}),
            ),
            Command::ReverseService { service } => {
                (format!("/v1/services/{}/reversal", names.id("service", *service)), json!({}))
            }
        };
        let client = if by_technician { &self.farm.technician } else { &self.farm.manager };
        (client, Method::POST, path, body)
    }

    fn place(&self, place: &Place) -> Value {
        let tank = self.farm.names.id("tank", place.tank);
        let mut told = json!({"tank_id": tank, "canister": place.canister});
        if !place.cane.is_empty() {
            told["cane"] = json!(place.cane);
        }
        told
    }

    fn order(&self, key: &str, order: &Order) -> Map<String, Value> {
        let names = &self.farm.names;
        let mut body = json!({"animal_id": names.id("animal", order.animal), "straws": order.straws,
                              "already_done": order.already_done, "straw_read": straw_read(order.misread)});
        match order.semen {
            Semen::Lot(lot) => body["lot_id"] = json!(names.id("lot", lot)),
            Semen::Sire(sire, semen_type) => {
                body["sire_id"] = json!(names.id("sire", sire));
                body["semen_type"] = json!(semen_type);
            }
        }
        if let Some(place) = &order.place {
            body["place"] = self.place(place);
        }
        body["id"] = json!(self.own_id(key));
        if order.set_aside {
            body["override"] = json!({"reason": "agreed by telephone"});
        }
        set_time(&mut body, "withdrawn_at", order.at.unwrap_or(0));
        body.as_object().unwrap().clone()
    }

    fn report(&self, animal: usize, what: AnimalEvent, at: i64) -> (String, Value) {
        let (path, time, about) = match what {
            AnimalEvent::Calving => ("/v1/calvings", "calved_at", json!({})),
            AnimalEvent::Abortion { opens_cycle } => {
                ("/v1/abortions", "aborted_at", json!({"opens_cycle": opens_cycle}))
            }
            AnimalEvent::Check { result, days_pregnant } => {
                let check = json!({"method": "ultrasound", "result": result, "days_pregnant": days_pregnant});
                ("/v1/pregnancy-checks", "checked_at", check)
            }
            AnimalEvent::DoNotBreed(yes) => ("/v1/do-not-breed", "decided_at", json!({"do_not_breed": yes})),
        };
        let mut body = about;
        body["animal_id"] = json!(self.farm.names.id("animal", animal));
        set_time(&mut body, time, at);
        (path.to_owned(), body)
    }

    /// Whether the service's name of a line is not known yet.
    pub fn knows_line(&self, line: usize) -> bool {
        self.farm.names.by_name.contains_key(&format!("movement {line}"))
    }
}

/// A PATCH and a DELETE take no key here, so nothing is kept under one.
fn is_keyless(act: &Command) -> bool {
    matches!(act, Command::SetStatus { .. } | Command::Lift { .. })
}

/// What is read off a straw: every sire of the farm has one name.
fn straw_read(misread: bool) -> &'static str {
    if misread { "0HO999" } else { "invented  ONE" }
}

/// Tells a time; none when it is now.
fn set_time(body: &mut Value, member: &str, at: i64) {
    if at != 0 {
        body[member] = json!(moment(at));
    }
}

/// Lists of kinds stand in no promised order.
fn sort_kinds(value: &mut Value) {
    match value {
        Value::Object(members) => {
            for (member, value) in members {
                if let ("deviations" | "objections", Value::Array(kinds)) = (member.as_str(), &mut *value) {
                    kinds.sort_by_key(|kind| kind["kind"].to_string());
                }
                sort_kinds(value);
            }
        }
        Value::Array(elements) => elements.iter_mut().for_each(sort_kinds),
        _ => {}
    }
}

/// Whether everything expected is there: every member of an object, lists with as many elements, and the
/// same values; `some time` stands for any.
fn agree(expected: &Value, actual: &Value) -> Result<(), Disagreement> {
    match (expected, actual) {
        (Value::Object(expected), Value::Object(actual)) => {
            for (member, expected) in expected {
                let actual = actual.get(member).unwrap_or(&Value::Null);
                agree(expected, actual).map_err(|wrong| format!("{member}: {wrong}"))?;
            }
            Ok(())
        }
        (Value::Array(expected), Value::Array(actual)) if expected.len() == actual.len() => {
            for (n, (expected, actual)) in expected.iter().zip(actual).enumerate() {
                agree(expected, actual).map_err(|wrong| format!("{n}: {wrong}"))?;
            }
            Ok(())
        }
        (Value::String(any), Value::String(_)) if any == "some time" => Ok(()),
        _ if expected == actual => Ok(()),
        _ => Err(format!("{expected} is expected, not {actual}")),
    }
}
