//! From what is on record here to the standard's JSON, version 1.3.

use serde_json::{Map, Value, json};

use crate::{
    ade::{
        identifiers::{all, theirs},
        incoming::shape_of,
    },
    book::exchange::ingest::{own, own_source},
    domain::{
        animals::{
            event::Event,
            herd::Herd,
            history::{AnimalEvent, CheckMethod, CheckResult, HeatMethod},
            mating_plan::MatingPlan,
            service::Service,
            service_kind::ServiceKind,
        },
        exchange::{
            ade::{ItemKind, Recommendation, container},
            change::Change,
            outgoing::{Called, Descent, Resource, Subject},
        },
        identifiers::Identifiers,
        straws::{lot::Lot, semen::SemenType, sire::SireSummary},
        values::{BusinessId, Day, Timestamp},
    },
};

/// What the answer is told of, and when.
pub struct Around<'a> {
    /// Whose book.
    pub business: BusinessId,
    /// The location's scheme and id, as in the path.
    pub location: &'a (String, String),
    /// Now.
    pub now: Timestamp,
}

/// A thing as the standard has it. What a herd system sent is told again as it came, but for its id, its
/// meta, and what only this book knows.
pub fn resource(told: &Resource, around: &Around<'_>) -> Value {
    let mut out = Map::new();
    out.insert("resourceType".to_owned(), shape_of(told.kind).resource_type().into());
    if told.kind != ItemKind::Animal {
        out.insert("id".to_owned(), json!(told.change.id));
        if let Some(animal) = &told.animal {
            out.insert("animal".to_owned(), first_name(&animal.identifiers, animal.id.0));
        }
    }
    match &told.subject {
        Subject::None => {}
        Subject::Event(event) => put(&mut out, event_members(event)),
        Subject::Service(service) => put(&mut out, service_members(service)),
        Subject::Animal(descent) => put(&mut out, animal_members(descent, around.now)),
        Subject::Plan(plan) => put(&mut out, plan_members(plan)),
        Subject::Elsewhere => {
            if let Some(animal) = &told.animal {
                put(&mut out, elsewhere_members(animal));
            }
        }
    }
    if let Some(sent) = &told.sent
        && let Some(valid) = shape_of(told.kind).valid(&sent.resource.0)
    {
        echo(&mut out, &told.subject, &valid);
    }
    out.insert("meta".to_owned(), meta(told, around.business));
    let (scheme, id) = around.location;
    out.insert("location".to_owned(), json!({"scheme": scheme, "id": id}));
    Value::Object(out)
}

/// The meta of a thing: the sender's names for it, our times.
pub fn meta(told: &Resource, business: BusinessId) -> Value {
    let mut meta = json!({
        "source": own_source(business),
        "sourceId": told.change.id,
        "modified": told.change.changed_at,
        "created": told.change.created_at,
    });
    if let Some(came) = &told.sent {
        meta["source"] = json!(came.source);
        meta["sourceId"] = json!(came.source_id);
        for name in ["creator", "validFrom", "validTo"] {
            if let Some(sent) = came.resource.0.get("meta").and_then(|meta| meta.get(name)) {
                meta[name] = sent.clone();
            }
        }
    }
    if told.change.reversed {
        meta["isDeleted"] = json!(true);
    }
    meta
}

/// What came is told again as it came.
fn echo(out: &mut Map<String, Value>, subject: &Subject, sent: &Value) {
    let is_animal = matches!(subject, Subject::Animal(_) | Subject::Elsewhere);
    let is_elsewhere = matches!(subject, Subject::Elsewhere);
    for (name, value) in sent.as_object().into_iter().flatten() {
        match name.as_str() {
            "resourceType" | "id" | "meta" | "location" | "@self" => {}
            // This book knows that she is gone; how, only who sent her.
            "status"
                if is_animal
                    && value == "Dead"
                    && out.get("status").is_some_and(|ours| ours == "OffFarm") =>
            {
                out.insert(name.clone(), value.clone());
            }
            // Of an animal more may be known since, and otherwise.
            "managementTag"
            | "name"
            | "birthDate"
            | "primaryBreed"
            | "status"
            | "alternativeIdentifiers"
            | "identifier"
                if is_animal && out.contains_key(name) => {}
            _ if is_elsewhere => {}
            _ => {
                out.insert(name.clone(), value.clone());
            }
        }
    }
    if is_animal && let Some(identifier) = sent.get("identifier") {
        main_identifier(out, identifier);
    }
}

/// The identifier that the sender holds for the main one comes first; the others stay beside it.
fn main_identifier(out: &mut Map<String, Value>, identifier: &Value) {
    let first = out.remove("identifier");
    let others = match out.remove("alternativeIdentifiers") {
        Some(Value::Array(others)) => others,
        _ => Vec::new(),
    };
    let others: Vec<Value> = first.into_iter().chain(others).filter(|other| other != identifier).collect();
    out.insert("identifier".to_owned(), identifier.clone());
    if !others.is_empty() {
        out.insert("alternativeIdentifiers".to_owned(), others.into());
    }
}

/// Adds members; the standard knows no null.
fn put(out: &mut Map<String, Value>, members: Value) {
    if let Value::Object(members) = members {
        out.extend(members.into_iter().filter(|(_, value)| !value.is_null()));
    }
}

/// An object without the members that are not known.
fn object(members: Value) -> Value {
    let mut out = Map::new();
    put(&mut out, members);
    Value::Object(out)
}

fn first_name(identifiers: &Identifiers, id: uuid::Uuid) -> Value {
    all(identifiers, own::ANIMAL, id).swap_remove(0)
}

/// A day as the standard has days: midnight in UTC.
fn instant(day: Day) -> String {
    format!("{day}T00:00:00Z")
}

fn event_members(event: &Event) -> Value {
    let more = match &event.what {
        // Version 1.3 knows no collars, ear tags and boluses.
        AnimalEvent::Heat { method } => json!({
            "certainty": "InHeat",
            "heatDetectionMethod": match method {
                HeatMethod::Seen => "Visual",
                HeatMethod::Pedometer => "Pedometer",
                HeatMethod::Chemical | HeatMethod::TimedProtocol => "Chemical",
                HeatMethod::Sensor | HeatMethod::Collar | HeatMethod::EarTag | HeatMethod::Bolus | HeatMethod::Other => "Other",
            },
        }),
        AnimalEvent::PregnancyCheck { method, result, days_pregnant } => json!({
            "foetalAge": days_pregnant,
            "method": match method {
                CheckMethod::Ultrasound => "Echography",
                CheckMethod::Palpation => "Palpation",
                CheckMethod::Blood => "Blood",
                CheckMethod::Milk => "Milk",
                CheckMethod::Visual => "Visual",
                CheckMethod::Other => "Other",
            },
            "result": match result {
                CheckResult::Pregnant => "Pregnant",
                CheckResult::Multiple => "Multiple",
                CheckResult::Empty => "Empty",
                CheckResult::Unknown => "Unknown",
            },
        }),
        AnimalEvent::DoNotBreed { do_not_breed } => json!({"doNotBreed": do_not_breed}),
        AnimalEvent::Calving { calves } => json!({"totalProgeny": calves}),
        AnimalEvent::Abortion { .. } => json!({}),
    };
    let mut out = Map::new();
    put(
        &mut out,
        json!({"eventDateTime": event.happened_at, "responsible": event.technician, "remark": event.note}),
    );
    put(&mut out, more);
    Value::Object(out)
}

/// A plan that was set here. The standard knows no service numbers, so these stand in the remark.
fn plan_members(plan: &MatingPlan) -> Value {
    let only = plan.choices.iter().filter_map(|choice| {
        let services = choice.services()?;
        Some(format!("{}: {services}.", choice.describe()))
    });
    let remark: Vec<String> = plan.note.iter().map(ToString::to_string).chain(only).collect();
    let choices = plan.choices.iter().enumerate().map(|(n, choice)| {
        let names = Identifiers::of(choice.sire_identifiers.iter().cloned());
        object(json!({
            "recommendationType": match choice.recommendation {
                Recommendation::Sire => "SireRecommended",
                Recommendation::BeefSire => "BeefSire",
                Recommendation::NoSire => "NoBreedingSire",
                Recommendation::Impossible => "RecommendationImpossible",
            },
            "sireIdentifiers": choice.sire_id.map(|id| all(&names, own::SIRE, id.0)),
            "sireOfficialName": choice.sire_name,
            "isSexedSemen": choice.semen_type.map(SemenType::is_sexed),
            "sexedGender": sexed_gender(choice.semen_type),
            "parity": choice.lactation,
            "sireRank": n + 1,
        }))
    });
    object(json!({
        "eventDateTime": plan.planned_at,
        "remark": (!remark.is_empty()).then(|| remark.join("\n")),
        "sireRecommendations": choices.collect::<Vec<_>>(),
    }))
}

/// The sex for which semen was sorted.
fn sexed_gender(semen_type: Option<SemenType>) -> Option<&'static str> {
    match semen_type {
        Some(SemenType::SexedFemale) => Some("Female"),
        Some(SemenType::SexedMale) => Some("Male"),
        Some(SemenType::Conventional) | None => None,
    }
}

fn service_members(service: &Service) -> Value {
    let deviations = service.deviations.0.iter().map(|deviation| match &deviation.reason {
        Some(reason) => format!("{} Accepted: {reason}", deviation.text),
        None => deviation.text.clone(),
    });
    let straws = service.straws;
    let is_ai = service.kind.takes_straw();
    let is_embryo = service.kind == ServiceKind::EmbryoTransfer;
    let by_event = service.sire.as_ref().filter(|_| !is_ai && !is_embryo);
    let remark: Vec<String> = service
        .note
        .iter()
        .map(ToString::to_string)
        .chain((straws > 1).then(|| format!("{straws} straws.")))
        .chain(deviations)
        .collect();
    object(json!({
        "eventDateTime": service.served_at,
        "responsible": service.technician,
        "remark": (!remark.is_empty()).then(|| remark.join("\n")),
        "inseminationType": match service.kind {
            ServiceKind::Ai => "Insemination",
            ServiceKind::Natural => "NaturalService",
            ServiceKind::EmbryoTransfer => "Implantation",
        },
        "sireIdentifiers": by_event.map(sire_names),
        "sireOfficialName": by_event.map(|sire| &sire.name),
        // "The rank of intervention of each AI carried out within the same reproductive cycle": counted
        // from calving to calving, as the service number is.
        "rank": service.service_number,
        "straw": if is_ai { straw(service) } else { None },
        "embryo": is_embryo.then(|| embryo(service)),
        "semenFromFarmStocks": is_ai.then_some(service.semen_from_herd_stock),
        "farmContainer": service.tank_name.as_ref().zip(service.place.as_ref()).map(|(tank, place)| container(tank, place)),
    }))
}

fn straw(service: &Service) -> Option<Value> {
    let semen_type = service.semen_type;
    if service.lot.is_none() && service.sire.is_none() && semen_type.is_none() {
        return None;
    }
    let mut out = Map::new();
    let sires = service.sire.as_ref().map(sire_names);
    put(
        &mut out,
        json!({
            "resourceType": "icarReproSemenStrawResource",
            "sireIdentifiers": sires,
            "sireOfficialName": service.sire.as_ref().map(|sire| &sire.name),
            "isSexedSemen": semen_type.map(SemenType::is_sexed),
            "sexedGender": sexed_gender(semen_type),
        }),
    );
    if let Some(lot) = &service.lot {
        put(&mut out, lot_members(lot));
    }
    Some(Value::Object(out))
}

fn embryo(service: &Service) -> Value {
    let donor = service.donor_id.zip(service.donor_identifiers.as_ref());
    object(json!({
        "resourceType": "icarReproEmbryoResource",
        "sireIdentifiers": service.sire.as_ref().map(sire_names),
        "sireOfficialName": service.sire.as_ref().map(|sire| &sire.name),
        "donorIdentifiers": donor.map(|(id, names)| all(names, own::ANIMAL, id.0)),
    }))
}

fn lot_members(lot: &Lot) -> Value {
    let d = &lot.details;
    json!({
        "id": {"scheme": own::LOT, "id": lot.id},
        "batch": d.batch,
        "collectionCentre": d.collection_centre,
        "dateCollected": d.collected_on.map(instant),
        "preservationType": "Frozen",
        "sexedPercentage": d.sexed_percentage,
    })
}

fn sire_names(sire: &SireSummary) -> Vec<Value> {
    all(&sire.identifiers, own::SIRE, sire.id.0)
}

/// Every name that she has, of a scheme several too: they are hers alone. Last our own.
fn animal_names(identifiers: &Identifiers, id: uuid::Uuid) -> (Value, Option<Vec<Value>>) {
    let own_name = json!({"scheme": own::ANIMAL, "id": id});
    let mut names: Vec<Value> = identifiers.iter().map(theirs).chain([own_name]).collect();
    let identifier = names.remove(0);
    (identifier, (!names.is_empty()).then_some(names))
}

/// She who was at this location and is at another: who she is, and that she left.
fn elsewhere_members(animal: &Called) -> Value {
    let (identifier, others) = animal_names(&animal.identifiers, animal.id.0);
    object(json!({
        "identifier": identifier,
        "alternativeIdentifiers": others,
        "specie": "Cattle",
        "gender": "Female",
        "status": "OffFarm",
    }))
}

fn animal_members(descent: &Descent, now: Timestamp) -> Value {
    let Descent { animal, sire, dam_identifiers } = descent;
    let d = &animal.details;
    let (identifier, others) = animal_names(&d.identifiers, animal.id.0);
    let parent = |gender: &str, name: Value, official: Option<Value>| {
        object(json!({
            "parentOf": identifier,
            "gender": gender,
            "relation": "Genetic",
            "identifier": name,
            "officialName": official,
        }))
    };
    let father = sire.as_ref();
    let father = father.map(|sire| parent("Male", sire_names(sire).swap_remove(0), Some(json!(sire.name))));
    let mother = d.dam_id.zip(dam_identifiers.as_ref());
    let mother = mother.map(|(id, names)| parent("Female", first_name(names, id.0), None));
    let parents: Vec<Value> = father.into_iter().chain(mother).collect();
    let has_left = d.left_on.is_some_and(|left| left.0 <= now.utc().date_naive());
    object(json!({
        "identifier": identifier,
        "alternativeIdentifiers": others,
        "specie": "Cattle",
        "gender": "Female",
        "birthDate": d.born_on.map(instant),
        "primaryBreed": d.breed.as_ref().map(|breed| json!({"scheme": breed_scheme(breed.as_str()), "id": breed})),
        "managementTag": d.number,
        "name": d.name,
        "status": if has_left { "OffFarm" } else { "Alive" },
        "parentage": (!parents.is_empty()).then_some(parents),
    }))
}

/// Breeds have three letters as in an international ID, or two; what is neither is the farm's own word.
fn breed_scheme(breed: &str) -> &'static str {
    let is_code = breed.bytes().all(|byte| byte.is_ascii_uppercase());
    match breed.len() {
        3 if is_code => "icar.breed-3",
        2 if is_code => "icar.breed-2",
        _ => "tankside.breed",
    }
}

/// A herd's location.
pub fn location(herd: &Herd, change: Option<&Change>, business: BusinessId) -> Value {
    let own_name = json!({"scheme": own::HERD, "id": herd.id});
    let official = herd.details.location.as_ref().map(|name| json!({"scheme": name.scheme, "id": name.id}));
    let others = official.is_some().then(|| vec![own_name.clone()]);
    object(json!({
        "resourceType": "icarLocationResource",
        "meta": change.map(|change| json!({
            "source": own_source(business),
            "sourceId": herd.id,
            "modified": change.changed_at,
            "created": change.created_at,
        })),
        "identifier": official.unwrap_or(own_name),
        "alternativeIdentifiers": others,
        "name": herd.details.name,
        "timeZoneId": herd.details.time_zone,
    }))
}

/// Where a thing is to be read, under the location's name that the caller used.
pub fn address(kind: ItemKind, id: uuid::Uuid, location: &(String, String)) -> String {
    format!("{}/{}/{id}", super::page::location_path(location), kind.path())
}
