//! From the standard's JSON to what is to be done here.

use serde_json::Value;
use uuid::Uuid;

use crate::{
    ade::{
        identifiers::ours,
        shape::{self, Shape},
    },
    book::exchange::ingest::{
        AnimalReport, Content, Insemination, StrawReport, TakeIn, What, kind_of_insemination, own,
    },
    domain::{
        animals::history::{AnimalEvent, CheckMethod, CheckResult, HeatMethod},
        exchange::ade::{ItemKind, Plan, RawResource, Recommendation, Recommended},
        form::{Fault, Field, InputPath},
        identifiers::ExternalId,
        straws::semen::SemenType,
        values::{
            Calves, Code, HerdId, Lactation, LotId, Name, Note, PregnancyDays, Source, Technician, Timestamp,
        },
    },
};

/// The shape of each kind of thing.
pub const fn shape_of(kind: ItemKind) -> &'static Shape {
    match kind {
        ItemKind::Insemination => &shape::INSEMINATION,
        ItemKind::Heat => &shape::HEAT,
        ItemKind::PregnancyCheck => &shape::PREGNANCY_CHECK,
        ItemKind::Parturition => &shape::PARTURITION,
        ItemKind::Abortion => &shape::ABORTION,
        ItemKind::DoNotBreed => &shape::DO_NOT_BREED,
        ItemKind::MatingRecommendation => &shape::MATING_RECOMMENDATION,
        ItemKind::Animal => &shape::ANIMAL,
    }
}

/// Where a thing is told.
#[derive(Clone, Debug)]
pub struct Place {
    /// The herd.
    pub herd: HerdId,
    /// The location's scheme and id, as in the path.
    pub location: (String, String),
}

/// Reads what was sent; every fault at once.
pub fn read(kind: ItemKind, place: &Place, sent: &Value) -> Result<TakeIn, Vec<Fault>> {
    let mut faults = Vec::new();
    let spot = InputPath::body();
    let resource = shape_of(kind).read(sent, &spot, &mut faults);
    let resource = resource.filter(|_| faults.is_empty()).ok_or_else(|| faults.clone())?;
    let mut from = Reader { resource: &resource, faults };
    let location = from.pair(&["location"]);
    if location.is_some_and(|(scheme, id)| (scheme, id) != (&place.location.0, &place.location.1)) {
        from.fault(&["location"], "must be the location in the path, or be left out");
    }
    let source: Option<Source> = from.required(&["meta", "source"]);
    let source_id: Option<Source> = from.required(&["meta", "sourceId"]);
    let modified: Option<Timestamp> = from.optional(&["meta", "modified"]);
    let deleted = from.at(&["meta", "isDeleted"]) == Some(&Value::Bool(true));
    let content = if deleted { None } else { from.content(kind) };
    if !from.faults.is_empty() {
        return Err(from.faults);
    }
    let (Some(source), Some(source_id)) = (source, source_id) else { return Err(from.faults) };
    if content.is_none() && !deleted {
        return Err(from.faults);
    }
    let herd_id = place.herd;
    Ok(TakeIn {
        herd_id,
        kind,
        source,
        source_id,
        modified,
        resource: RawResource(resource.clone()),
        content,
    })
}

/// Does something at the end of a path.
fn at<R>(path: &[&str], spot: &InputPath, then: impl FnOnce(&InputPath) -> R) -> R {
    match path {
        [] => then(spot),
        [name, further @ ..] => at(further, &spot.member(name), then),
    }
}

/// Takes values out of a resource whose shape is right.
struct Reader<'r> {
    resource: &'r Value,
    faults: Vec<Fault>,
}

impl Reader<'_> {
    fn at(&self, path: &[&str]) -> Option<&Value> {
        path.iter().try_fold(self.resource, |value, name| match value {
            Value::Array(elements) => elements.get(name.parse::<usize>().ok()?),
            other => other.get(name),
        })
    }

    fn text(&self, path: &[&str]) -> Option<&str> {
        self.at(path)?.as_str()
    }

    fn flag(&self, path: &[&str]) -> Option<bool> {
        self.at(path)?.as_bool()
    }

    fn count(&self, name: &str) -> Option<i64> {
        self.at(&[name])?.as_i64()
    }

    fn fault(&mut self, path: &[&str], detail: impl Into<String>) {
        let fault = at(path, &InputPath::body(), |spot| spot.fault(detail));
        self.faults.push(fault);
    }

    fn optional<T: Field>(&mut self, path: &[&str]) -> Option<T> {
        let value = self.at(path)?.clone();
        at(path, &InputPath::body(), |spot| T::read(&value, spot, &mut self.faults))
    }

    fn required<T: Field>(&mut self, path: &[&str]) -> Option<T> {
        if self.at(path).is_none() {
            self.fault(path, "is required");
        }
        self.optional(path)
    }

    fn pair(&self, path: &[&str]) -> Option<(&str, &str)> {
        pair(self.at(path)?)
    }

    /// A name with its scheme.
    fn name(&mut self, path: &[&str]) -> Option<ExternalId> {
        match self.pair(path).map(|(scheme, id)| ours(scheme, id))? {
            Ok(name) => Some(name),
            Err(wrong) => {
                self.fault(path, wrong);
                None
            }
        }
    }

    /// A list of names with their schemes.
    fn names(&mut self, path: &[&str]) -> Vec<ExternalId> {
        let told = self.at(path).and_then(Value::as_array).map_or(0, Vec::len);
        let mut names = Vec::new();
        for n in 0..told {
            let n = n.to_string();
            let place: Vec<&str> = path.iter().copied().chain([n.as_str()]).collect();
            names.extend(self.name(&place));
        }
        names
    }

    fn content(&mut self, kind: ItemKind) -> Option<Content> {
        if kind == ItemKind::Animal {
            let animal = self.name(&["identifier"]);
            let what = What::Animal(Box::new(self.animal()));
            return Some(Content { animal: animal?, at: None, responsible: None, remark: None, what });
        }
        let animal = self.name(&["animal"]);
        let at: Option<Timestamp> = self.required(&["eventDateTime"]);
        let responsible: Option<Technician> = self.optional(&["responsible"]);
        let remark: Option<Note> = self.optional(&["remark"]);
        let what = match kind {
            ItemKind::Insemination => self.insemination(),
            ItemKind::Heat => self.heat(),
            ItemKind::PregnancyCheck => What::Happened(self.pregnancy_check()),
            ItemKind::Parturition => What::Happened(AnimalEvent::Calving {
                calves: self.count("totalProgeny").and_then(Calves::new),
            }),
            ItemKind::Abortion => What::Happened(AnimalEvent::Abortion { opens_cycle: false }),
            ItemKind::DoNotBreed => {
                let do_not_breed = self.flag(&["doNotBreed"]).unwrap_or(true);
                What::Happened(AnimalEvent::DoNotBreed { do_not_breed })
            }
            ItemKind::MatingRecommendation | ItemKind::Animal => What::Plan(self.plan()),
        };
        Some(Content { animal: animal?, at: Some(at?), responsible, remark, what })
    }

    fn insemination(&mut self) -> What {
        let word = self.text(&["inseminationType"]).unwrap_or_default();
        let (kind, ran_with_bull) = (kind_of_insemination(word), word == "RunWithBull");
        let of_embryo = self.names(&["embryo", "sireIdentifiers"]);
        let of_straw = self.names(&["straw", "sireIdentifiers"]);
        let of_event = self.names(&["sireIdentifiers"]);
        let is_sexed = self.flag(&["straw", "isSexedSemen"]);
        What::Insemination(Insemination {
            kind,
            ran_with_bull,
            donors: self.names(&["embryo", "donorIdentifiers"]),
            straw: StrawReport {
                lot: self.lot(),
                sires: [of_embryo, of_straw, of_event]
                    .into_iter()
                    .find(|names| !names.is_empty())
                    .unwrap_or_default(),
                batch: self.optional::<Code>(&["straw", "batch"]),
                collected_at: self.optional(&["straw", "dateCollected"]),
                collection_centre: self.optional::<Name>(&["straw", "collectionCentre"]),
                is_sexed,
                semen_type: semen_type(is_sexed, self.text(&["straw", "sexedGender"])),
            },
            was_frozen: self.text(&["straw", "preservationType"]) != Some("Liquid"),
            from_herd_stock: self.flag(&["semenFromFarmStocks"]),
            container: self.text(&["farmContainer"]).map(ToOwned::to_owned),
        })
    }

    /// The straw's lot, when it is named as this book names it.
    fn lot(&self) -> Option<LotId> {
        let (scheme, id) = self.pair(&["straw", "id"])?;
        (scheme == own::LOT).then(|| LotId(Uuid::try_parse(id).unwrap_or_default()))
    }

    fn heat(&mut self) -> What {
        if matches!(self.text(&["certainty"]), Some("Suspect" | "Potential")) {
            return What::OnlyKept(
                "Only a certain heat times an insemination; a suspected one is kept and does not count.",
            );
        }
        let method = match self.text(&["heatDetectionMethod"]) {
            Some("Visual") => HeatMethod::Seen,
            Some("Pedometer") => HeatMethod::Pedometer,
            Some("Collar") => HeatMethod::Collar,
            Some("EarTag") => HeatMethod::EarTag,
            Some("Bolus") => HeatMethod::Bolus,
            Some("Chemical") => HeatMethod::Chemical,
            _ => HeatMethod::Other,
        };
        What::Happened(AnimalEvent::Heat { method })
    }

    fn pregnancy_check(&self) -> AnimalEvent {
        let method = match self.text(&["method"]) {
            Some("Echography") => CheckMethod::Ultrasound,
            Some("Palpation") => CheckMethod::Palpation,
            Some("Blood") => CheckMethod::Blood,
            Some("Milk") => CheckMethod::Milk,
            Some("Visual") => CheckMethod::Visual,
            _ => CheckMethod::Other,
        };
        let result = match self.text(&["result"]) {
            Some("Empty") => CheckResult::Empty,
            Some("Pregnant") => CheckResult::Pregnant,
            Some("Multiple") => CheckResult::Multiple,
            _ => CheckResult::Unknown,
        };
        // Several that were counted are several, whatever word stands beside it.
        let result = match (result, self.count("foetusCount")) {
            (CheckResult::Pregnant, Some(2..)) => CheckResult::Multiple,
            (result, _) => result,
        };
        let days_pregnant = self.count("foetalAge").and_then(PregnancyDays::new);
        AnimalEvent::PregnancyCheck { method, result, days_pregnant }
    }

    fn plan(&mut self) -> Plan {
        let told = self.at(&["sireRecommendations"]).and_then(Value::as_array).cloned().unwrap_or_default();
        let mut choices = Vec::new();
        for (n, each) in told.iter().enumerate() {
            let n = n.to_string();
            let sires = self.names(&["sireRecommendations", &n, "sireIdentifiers"]);
            let word = |name: &str| each.get(name).and_then(Value::as_str);
            let is_sexed = each.get("isSexedSemen").and_then(Value::as_bool);
            choices.push(Recommended {
                recommendation: match word("recommendationType") {
                    Some("BeefSire") => Recommendation::BeefSire,
                    Some("NoBreedingSire") => Recommendation::NoSire,
                    Some("RecommendationImpossible") => Recommendation::Impossible,
                    _ => Recommendation::Sire,
                },
                sires,
                sire_name: word("sireOfficialName").and_then(|name| Name::parse(name).ok()),
                semen_type: semen_type(is_sexed, word("sexedGender")),
                rank: each.get("sireRank").and_then(Value::as_i64),
                lactation: each.get("parity").and_then(Value::as_i64).and_then(Lactation::new),
            });
        }
        Plan(choices)
    }

    fn animal(&mut self) -> AnimalReport {
        let is = |reader: &Self, name: &str, word: &str| reader.text(&[name]) == Some(word);
        let only_kept = if !is(self, "specie", "Cattle") {
            Some("This book is of cattle; the animal is kept and not entered.")
        } else if !is(self, "gender", "Female") {
            Some("This book enters females that can be served; the animal is kept and not entered.")
        } else {
            None
        };
        AnimalReport {
            names: self.names(&["alternativeIdentifiers"]),
            only_kept,
            number: self.optional(&["managementTag"]),
            name: self.optional(&["name"]),
            born_at: self.optional(&["birthDate"]),
            breed: self.optional(&["primaryBreed", "id"]),
            sire: self.parents("Male"),
            dam: self.parents("Female"),
            is_gone: match self.text(&["status"]) {
                Some("Dead" | "OffFarm") => Some(true),
                Some("Alive") => Some(false),
                _ => None,
            },
        }
    }

    /// The names of her genetic parent of that sex.
    fn parents(&mut self, gender: &str) -> Vec<ExternalId> {
        let told = self.at(&["parentage"]).and_then(Value::as_array).map_or(0, Vec::len);
        let mut names = Vec::new();
        for n in 0..told {
            let n = n.to_string();
            let is_genetic = matches!(self.text(&["parentage", &n, "relation"]), None | Some("Genetic"));
            let is_meant = self.text(&["parentage", &n, "gender"]).is_some_and(|g| g.starts_with(gender));
            if is_genetic && is_meant {
                names.extend(self.name(&["parentage", &n, "identifier"]));
            }
        }
        names
    }
}

fn pair(value: &Value) -> Option<(&str, &str)> {
    Some((value.get("scheme")?.as_str()?, value.get("id")?.as_str()?))
}

/// The semen type, where what is told is enough to know it.
fn semen_type(is_sexed: Option<bool>, gender: Option<&str>) -> Option<SemenType> {
    match (is_sexed, gender) {
        (Some(false), _) => Some(SemenType::Conventional),
        (Some(true), Some("Female" | "FemaleNeuter")) => Some(SemenType::SexedFemale),
        (Some(true), Some("Male" | "MaleCryptorchid" | "MaleNeuter")) => Some(SemenType::SexedMale),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Whatever a herd system sends as whatever kind of thing is read, or every fault is told with where it stands.
    #[test]
    fn texts_near_the_standards_messages_are_read_or_refused_with_where_they_are_wrong() {
        let herd = HerdId(Uuid::from_u128(0x0190_f3a0_0000_7000_8000_0000_0000_0000));
        let place = Place { herd, location: ("tankside.herd".to_owned(), herd.0.to_string()) };
        let read_by_some = std::cell::Cell::new(0);
        crate::fuzz::against("ade", |text| {
            let Ok(sent) = serde_json::from_str::<Value>(text) else { return Ok(()) };
            for kind in ItemKind::ALL {
                match read(*kind, &place, &sent) {
                    Ok(_) => read_by_some.set(read_by_some.get() + 1),
                    Err(faults) => {
                        prop_assert!(!faults.is_empty(), "{} refuses and does not say why", kind);
                        let told = faults
                            .iter()
                            .all(|fault| fault.pointer.starts_with('#') && !fault.detail.is_empty());
                        prop_assert!(told, "{:?}", faults);
                    }
                }
            }
            Ok(())
        });
        assert!(read_by_some.get() > 100, "nearly all was refused, so this tells little");
    }
}
