//! The standard's resources as we read them: which members they have and what each of them takes.
//!
//! Reading is tolerant as the standard asks: what it does not define is left out, null is absent, an
//! offset may be any, a date may stand for an instant. What it does define is checked, so that what is
//! kept can be told again and is valid. Written to version 1.3; what later versions added up to 1.6 is
//! taken as well.

use serde_json::{Map, Value};

use crate::domain::{
    form::{Fault, Field as _, InputPath, MOST_FAULTS, kind, whole_number},
    values::{Day, Timestamp},
};

/// What a member takes.
pub enum Shape {
    /// Text.
    Text,
    /// An instant.
    Instant,
    /// A day, which the standard writes as an instant.
    Date,
    /// True or false.
    Flag,
    /// A whole number.
    Whole,
    /// A number of things, days or places in an order: a whole number from 0.
    Count,
    /// A whole number from 0 to 100.
    Percent,
    /// A number.
    Number,
    /// A number from 0.
    NotNegative,
    /// An address: a URI with its scheme (RFC 3986).
    Uri,
    /// One of these words.
    Word(&'static [&'static str]),
    /// Several of these.
    List(&'static Shape),
    /// An object with these members.
    Object(&'static [Property]),
    /// A resource: its type, and its members beside those that every resource has.
    Resource(&'static str, &'static [&'static [Property]]),
}

/// A member of an object.
pub struct Property {
    name: &'static str,
    shape: Shape,
    need: Need,
}

/// Whether a member must be there.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Need {
    /// It may be left out.
    No,
    /// It may be missing when it comes; without it its object is not told again.
    GoingOut,
    /// It must come.
    Yes,
}

const fn may(name: &'static str, shape: Shape) -> Property {
    Property { name, shape, need: Need::No }
}

const fn told_only_with(name: &'static str, shape: Shape) -> Property {
    Property { name, shape, need: Need::GoingOut }
}

const fn must(name: &'static str, shape: Shape) -> Property {
    Property { name, shape, need: Need::Yes }
}

/// A name within its scheme.
const NAME: Shape = Shape::Object(&[must("id", Shape::Text), must("scheme", Shape::Text)]);
const NAMES: Shape = Shape::List(&NAME);

/// The standard asks for `source` and `modified`. That of a straw or a calf without them is no reason to lose what
/// happened, so it is taken and not told again.
const META: Shape = Shape::Object(&[
    told_only_with("source", Shape::Text),
    may("sourceId", Shape::Text),
    may("isDeleted", Shape::Flag),
    told_only_with("modified", Shape::Instant),
    may("created", Shape::Instant),
    may("creator", Shape::Text),
    may("validFrom", Shape::Instant),
    may("validTo", Shape::Instant),
]);

/// Members of every resource; `resourceType` is looked at apart.
const RESOURCE: &[Property] = &[may("@self", Shape::Text), may("meta", META), may("location", NAME)];

const EVENT: &[Property] = &[
    may("id", Shape::Text),
    may("eventDateTime", Shape::Instant),
    may("traitLabel", NAME),
    may("responsible", Shape::Text),
    may("contemporaryGroup", Shape::Text),
    may("remark", Shape::Text),
    must("animal", NAME),
];

const GENDER: Shape =
    Shape::Word(&["Female", "FemaleNeuter", "Male", "MaleCryptorchid", "MaleNeuter", "Unknown"]);
const SPECIE: Shape = Shape::Word(&["Buffalo", "Cattle", "Deer", "Elk", "Goat", "Horse", "Pig", "Sheep"]);

const STRAW: Shape = Shape::Resource(
    "icarReproSemenStrawResource",
    &[&[
        may("id", NAME),
        may("batch", Shape::Text),
        may("collectionCentre", Shape::Text),
        may("dateCollected", Shape::Date),
        may("sireIdentifiers", NAMES),
        may("sireOfficialName", Shape::Text),
        may("sireURI", Shape::Text),
        may("sirePrimaryBreed", NAME),
        may("preservationType", Shape::Word(&["Liquid", "Frozen"])),
        may("isSexedSemen", Shape::Flag),
        may("sexedGender", GENDER),
        may("sexedPercentage", Shape::Percent),
    ]],
);

const EMBRYO: Shape = Shape::Resource(
    "icarReproEmbryoResource",
    &[&[
        may("id", NAME),
        may("collectionCentre", Shape::Text),
        may("dateCollected", Shape::Date),
        may("donorIdentifiers", NAMES),
        may("donorURI", Shape::Text),
        may("sireIdentifiers", NAMES),
        may("sireOfficialName", Shape::Text),
        may("sireURI", Shape::Text),
        may("sirePrimaryBreed", NAME),
    ]],
);

/// An insemination.
pub const INSEMINATION: Shape = Shape::Resource(
    "icarReproInseminationEventResource",
    &[
        EVENT,
        &[
            must(
                "inseminationType",
                Shape::Word(&["NaturalService", "RunWithBull", "Insemination", "Implantation"]),
            ),
            may("rank", Shape::Count),
            may("sireIdentifiers", NAMES),
            may("sireOfficialName", Shape::Text),
            may("sireURI", Shape::Text),
            may("sirePrimaryBreed", NAME),
            may("straw", STRAW),
            may("embryo", EMBRYO),
            may("eventEndDateTime", Shape::Instant),
            may("semenFromFarmStocks", Shape::Flag),
            may("farmContainer", Shape::Text),
            may("doItYourself", Shape::Flag),
        ],
    ],
);

const DEVICE: Shape = Shape::Object(&[
    may("identifier", NAME),
    may("href", Shape::Uri),
    may("reltype", Shape::Text),
    may("model", Shape::Text),
    may("serial", Shape::Text),
    may("manufacturerName", Shape::Text),
    may("registration", NAME),
]);

/// A heat.
pub const HEAT: Shape = Shape::Resource(
    "icarReproHeatEventResource",
    &[
        EVENT,
        &[
            may(
                "heatDetectionMethod",
                Shape::Word(&["Chemical", "Visual", "Pedometer", "Collar", "EarTag", "Bolus", "Other"]),
            ),
            may("certainty", Shape::Word(&["InHeat", "Suspect", "Potential"])),
            may("commencementDateTime", Shape::Instant),
            may("expirationDateTime", Shape::Instant),
            may(
                "visualDetection",
                Shape::Object(&[
                    may(
                        "heatSigns",
                        Shape::List(&Shape::Word(&[
                            "Slime",
                            "ClearSlime",
                            "InterestedInOtherAnimals",
                            "Bawling",
                            "Blood",
                            "StandsUnder",
                        ])),
                    ),
                    may(
                        "heatIntensity",
                        Shape::Word(&["VeryWeak", "Weak", "Normal", "Strong", "VeryStrong"]),
                    ),
                ]),
            ),
            may(
                "optimumInseminationWindow",
                Shape::List(&Shape::Object(&[
                    must("startDateTime", Shape::Instant),
                    may("endDateTime", Shape::Instant),
                    may("windowName", Shape::Text),
                ])),
            ),
            may("deviceHeatProbability", Shape::Number),
            may("device", DEVICE),
        ],
    ],
);

/// A pregnancy check.
pub const PREGNANCY_CHECK: Shape = Shape::Resource(
    "icarReproPregnancyCheckEventResource",
    &[
        EVENT,
        &[
            may("method", Shape::Word(&["Echography", "Palpation", "Blood", "Milk", "Visual", "Other"])),
            may("result", Shape::Word(&["Empty", "Pregnant", "Multiple", "Unknown"])),
            may("foetalAge", Shape::Count),
            may("foetusCount", Shape::Count),
            may("foetusCountMale", Shape::Count),
            may("foetusCountFemale", Shape::Count),
            may("exceptions", Shape::List(&Shape::Text)),
            may("marker", Shape::Word(&["PAG", "Progesterone"])),
        ],
    ],
);

/// Not negative: `minimum` 0 in `icarMassMeasureType`.
const WEIGHT: Shape = Shape::Object(&[
    may("measurement", Shape::NotNegative),
    may("units", Shape::Word(&["KGM", "GRM", "LBR", "TNE", "MC", "MGM", "ONZ", "PN"])),
    may(
        "method",
        Shape::Word(&[
            "LoadCell",
            "Girth",
            "Assessed",
            "WalkOver",
            "Predicted",
            "Imaged",
            "FrontEndCorrelated",
            "GroupAverage",
        ]),
    ),
    may("resolution", Shape::Number),
]);

const PROGENY: Shape = Shape::Resource(
    "icarProgenyDetailsResource",
    &[&[
        may("identifier", NAME),
        may("alternativeIdentifiers", NAMES),
        must("specie", SPECIE),
        must("gender", GENDER),
        may("managementTag", Shape::Text),
        may("name", Shape::Text),
        may("officialName", Shape::Text),
        may("taggingDate", Shape::Date),
        may(
            "birthStatus",
            Shape::Word(&[
                "Alive",
                "Stillborn",
                "Aborted",
                "DiedBeforeTaggingDate",
                "DiedAfterTaggingDate",
                "SlaughteredAtBirth",
                "EuthanisedAtBirth",
            ]),
        ),
        may("birthSize", Shape::Word(&["ExtraSmall", "Small", "Average", "Large", "ExtraLarge"])),
        may("birthWeight", WEIGHT),
        may("birthDate", Shape::Date),
        may("primaryBreed", NAME),
        may("coatColor", Shape::Text),
        may("coatColorIdentifier", NAME),
    ]],
);

/// A calving.
pub const PARTURITION: Shape = Shape::Resource(
    "icarReproParturitionEventResource",
    &[
        EVENT,
        &[
            may("isEmbryoImplant", Shape::Flag),
            may("damParity", Shape::Count),
            may("liveProgeny", Shape::Count),
            may("totalProgeny", Shape::Count),
            may(
                "calvingEase",
                Shape::Word(&[
                    "EasyUnassisted",
                    "EasyAssisted",
                    "DifficultExtraAssistance",
                    "DifficultVeterinaryCare",
                    "CaesareanOrSurgery",
                ]),
            ),
            may("progenyDetails", Shape::List(&PROGENY)),
            may("progeny", Shape::List(&ANIMAL)),
        ],
    ],
);

/// An abortion.
pub const ABORTION: Shape = Shape::Resource("icarReproAbortionEventResource", &[EVENT]);

/// A decision whether she may be bred.
pub const DO_NOT_BREED: Shape = Shape::Resource(
    "icarReproDoNotBreedEventResource",
    &[EVENT, &[may("doNotBreed", Shape::Flag), may("extendedReasons", NAMES)]],
);

/// Recommended sires.
pub const MATING_RECOMMENDATION: Shape = Shape::Resource(
    "icarReproMatingRecommendationResource",
    &[
        EVENT,
        &[may(
            "sireRecommendations",
            Shape::List(&Shape::Object(&[
                may(
                    "recommendationType",
                    Shape::Word(&[
                        "SireRecommended",
                        "RecommendationImpossible",
                        "BeefSire",
                        "NoBreedingSire",
                    ]),
                ),
                may("sireIdentifiers", NAMES),
                may("sireOfficialName", Shape::Text),
                may("sireURI", Shape::Text),
                may("sirePrimaryBreed", NAME),
                may("isSexedSemen", Shape::Flag),
                may("sexedGender", GENDER),
                may("parity", Shape::Count),
                may("sireRank", Shape::Count),
            ])),
        )],
    ],
);

/// An animal.
pub const ANIMAL: Shape = Shape::Resource(
    "icarAnimalCoreResource",
    &[&[
        must("identifier", NAME),
        may("alternativeIdentifiers", NAMES),
        must("specie", SPECIE),
        must("gender", GENDER),
        may("birthDate", Shape::Date),
        may("primaryBreed", NAME),
        may(
            "breedFractions",
            Shape::Object(&[
                must("denominator", Shape::Whole),
                may(
                    "fractions",
                    Shape::List(&Shape::Object(&[may("breed", NAME), may("fraction", Shape::Number)])),
                ),
            ]),
        ),
        may("coatColor", Shape::Text),
        may("coatColorIdentifier", NAME),
        may("managementTag", Shape::Text),
        may("name", Shape::Text),
        may("officialName", Shape::Text),
        may("productionPurpose", Shape::Word(&["Meat", "Milk", "Wool"])),
        may("status", Shape::Word(&["Alive", "Dead", "OffFarm", "Unknown"])),
        may(
            "reproductionStatus",
            Shape::Word(&[
                "Open",
                "Inseminated",
                "Pregnant",
                "NotPregnant",
                "Birthed",
                "DoNotBreed",
                "PregnantMultipleFoetus",
            ]),
        ),
        may("lactationStatus", Shape::Word(&["Dry", "Lead", "Fresh", "Early", "Lactating"])),
        may("healthStatus", Shape::Word(&["Healthy", "Suspicious", "Ill", "InTreatment", "ToBeCulled"])),
        may(
            "parentage",
            Shape::List(&Shape::Object(&[
                must("parentOf", NAME),
                must("gender", GENDER),
                may("relation", Shape::Word(&["Genetic", "Recipient", "Adoptive"])),
                must("identifier", NAME),
                may("officialName", Shape::Text),
            ])),
        ),
    ]],
);

/// Characters of a text at most.
const LONGEST: usize = 2000;

/// Elements of a list at most.
const MOST: usize = 100;

impl Shape {
    /// The name of the resource's type; empty for what is none.
    pub const fn resource_type(&self) -> &'static str {
        match self {
            Self::Resource(name, _) => name,
            _ => "",
        }
    }

    /// Reads a value: what the standard defines of it, in one way of writing.
    pub fn read(&self, value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Value> {
        match self {
            Self::Text => text(value, spot, faults),
            Self::Instant => Timestamp::read(value, spot, faults).map(|at| at.to_string().into()),
            Self::Date => date(value, spot, faults),
            Self::Flag => bool::read(value, spot, faults).map(Value::Bool),
            Self::Whole => {
                let whole = whole_number(value, spot).filter(|n| n.abs() <= 1_000_000_000);
                found(whole.map(Value::from), value, "a whole number", spot, faults)
            }
            Self::Count => {
                let count = whole_number(value, spot).filter(|n| (0..=1_000_000_000).contains(n));
                found(count.map(Value::from), value, "a whole number from 0", spot, faults)
            }
            Self::Percent => {
                let percent = whole_number(value, spot).filter(|n| (0..=100).contains(n));
                found(percent.map(Value::from), value, "a whole number from 0 to 100", spot, faults)
            }
            Self::NotNegative => {
                let is_right = value.as_f64().is_some_and(|number| number >= 0.0);
                let number = is_right.then(|| Self::Number.read(value, spot, faults)).flatten();
                found(number, value, "a number from 0", spot, faults)
            }
            Self::Uri => {
                let address = value.as_str().filter(|sent| is_uri(sent)).map(Value::from);
                found(address, value, "a URI such as https://example.org/device/7", spot, faults)
            }
            Self::Number => {
                // A whole one is kept as such: one store does not tell 38 and 38.0 apart.
                let whole = whole_number(value, spot).map(Value::from);
                let number = whole.or_else(|| value.is_number().then(|| value.clone()));
                found(number, value, "a number", spot, faults)
            }
            Self::Word(words) => {
                let word = value.as_str().filter(|word| words.contains(word));
                if word.is_none() {
                    faults.push(spot.fault(format!("must be one of {}", words.join(", "))));
                }
                word.map(Value::from)
            }
            Self::List(each) => list(each, value, spot, faults),
            Self::Object(properties) => {
                let members = object(value, spot, faults)?;
                let mut read = Map::new();
                take(properties, members, spot, &mut read, faults);
                Some(Value::Object(read))
            }
            Self::Resource(name, groups) => resource(name, groups, value, spot, faults),
        }
    }

    /// What of a kept value may be told: an older version took some that is not valid.
    pub fn valid(&self, value: &Value) -> Option<Value> {
        match self {
            Self::List(each) => {
                let elements = value.as_array()?;
                Some(Value::Array(elements.iter().filter_map(|element| each.valid(element)).collect()))
            }
            Self::Object(properties) => {
                let mut told = Map::new();
                tell(properties, value.as_object()?, &mut told).then_some(Value::Object(told))
            }
            Self::Resource(name, groups) => {
                let members = value.as_object()?;
                let mut told = Map::new();
                told.insert("resourceType".to_owned(), (*name).into());
                let is_whole = tell(RESOURCE, members, &mut told)
                    && groups.iter().all(|properties| tell(properties, members, &mut told));
                is_whole.then_some(Value::Object(told))
            }
            plain => {
                let mut faults = Vec::new();
                let read = plain.read(value, &InputPath::body(), &mut faults);
                read.filter(|_| faults.is_empty())
            }
        }
    }
}

/// Puts what is valid of the members with what is told; false when one is missing without which nothing is.
fn tell(properties: &[Property], members: &Map<String, Value>, told: &mut Map<String, Value>) -> bool {
    properties.iter().all(|Property { name, shape, need }| {
        match members.get(*name).and_then(|value| shape.valid(value)) {
            Some(value) => {
                told.insert((*name).to_owned(), value);
                true
            }
            None => *need == Need::No,
        }
    })
}

/// Whether a text is a URI: with a scheme, and only of the characters that RFC 3986 allows.
fn is_uri(text: &str) -> bool {
    let is_allowed = |c: char| c.is_ascii_alphanumeric() || "-._~:/?#[]@!$&'()*+,;=%".contains(c);
    text.len() <= LONGEST && text.chars().all(is_allowed) && url::Url::parse(text).is_ok()
}

fn found(
    read: Option<Value>,
    value: &Value,
    what: &str,
    spot: &InputPath,
    faults: &mut Vec<Fault>,
) -> Option<Value> {
    if read.is_none() {
        faults.push(spot.fault(format!("must be {what}, not {}", told(value))));
    }
    read
}

/// The value for a message: numbers as they are, all else by its kind.
fn told(value: &Value) -> String {
    if value.is_number() { value.to_string() } else { kind(value).to_owned() }
}

fn text(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Value> {
    let Value::String(sent) = value else { return found(None, value, "text", spot, faults) };
    let lines = sent.replace("\r\n", "\n");
    let forbidden = |c: char| c.is_control() && !matches!(c, '\n' | '\t');
    if lines.chars().count() > LONGEST || lines.contains(forbidden) {
        faults.push(
            spot.fault(format!("must be text of at most {LONGEST} characters without control characters")),
        );
        return None;
    }
    Some(lines.into())
}

fn date(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Value> {
    let is_day = value.as_str().is_some_and(|sent| sent.len() == 10);
    if is_day {
        return Day::read(value, spot, faults).map(|day| format!("{day}T00:00:00Z").into());
    }
    Timestamp::read(value, spot, faults).map(|at| at.to_string().into())
}

fn list(each: &Shape, value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Value> {
    let Value::Array(elements) = value else { return found(None, value, "a list", spot, faults) };
    if elements.len() > MOST {
        faults.push(spot.fault(format!("must have at most {MOST} elements, not {}", elements.len())));
        return None;
    }
    let mut read = Vec::new();
    for (n, element) in elements.iter().enumerate() {
        read.extend(each.read(element, &spot.element(n), faults));
        if faults.len() > MOST_FAULTS {
            return None;
        }
    }
    Some(read.into())
}

fn object<'v>(value: &'v Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<&'v Map<String, Value>> {
    if !value.is_object() {
        faults.push(spot.fault(format!("must be a JSON object, not {}", told(value))));
    }
    value.as_object()
}

fn take(
    properties: &[Property],
    members: &Map<String, Value>,
    spot: &InputPath,
    read: &mut Map<String, Value>,
    faults: &mut Vec<Fault>,
) {
    for Property { name, shape, need } in properties {
        let inside = spot.member(name);
        let sent = members.get(*name).filter(|value| !value.is_null() && value.as_str() != Some(""));
        match sent {
            None if *need == Need::Yes => faults.push(inside.fault("is required")),
            None => {}
            Some(value) => {
                if let Some(value) = shape.read(value, &inside, faults) {
                    read.insert((*name).to_owned(), value);
                }
            }
        }
    }
}

fn resource(
    name: &str,
    groups: &[&[Property]],
    value: &Value,
    spot: &InputPath,
    faults: &mut Vec<Fault>,
) -> Option<Value> {
    let members = object(value, spot, faults)?;
    // The standard's own catalogue misspells this one. Version 1.2 had no resourceType.
    let is_right = |sent: &str| sent == name || sent.replace("Insemonation", "Insemination") == name;
    match members.get("resourceType") {
        None | Some(Value::Null) => {}
        Some(Value::String(sent)) if is_right(sent) => {}
        Some(_) => faults.push(spot.member("resourceType").fault(format!("must be {name}"))),
    }
    let mut read = Map::new();
    read.insert("resourceType".to_owned(), name.into());
    take(RESOURCE, members, spot, &mut read, faults);
    for properties in groups {
        take(properties, members, spot, &mut read, faults);
    }
    Some(Value::Object(read))
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn read(shape: &Shape, value: &Value) -> Result<Value, Vec<String>> {
        let mut faults = Vec::new();
        let read = shape.read(value, &InputPath::body(), &mut faults);
        if faults.is_empty() {
            Ok(read.unwrap())
        } else {
            Err(faults.into_iter().map(|fault| fault.pointer).collect())
        }
    }

    #[test]
    fn what_the_standard_does_not_define_is_left_out_and_null_is_absent() {
        // The standard's rule for readers: ignore what you do not know.
        let sent = json!({"resourceType": "icarReproHeatEventResource", "id": null, "colour": "red",
            "animal": {"scheme": "eu.bovine", "id": "XX 1", "colour": 1}, "eventDateTime": "2026-03-02T06:00:00+01:00",
            "certainty": "InHeat", "remark": "two\r\nlines", "traitLabel": null});
        let kept = json!({"resourceType": "icarReproHeatEventResource", "animal": {"scheme": "eu.bovine", "id": "XX 1"},
            "eventDateTime": "2026-03-02T05:00:00Z", "certainty": "InHeat", "remark": "two\nlines"});
        assert_eq!(read(&HEAT, &sent), Ok(kept.clone()));
        assert_eq!(read(&HEAT, &kept), Ok(kept), "what is kept is kept as it is");
    }

    #[test]
    fn what_it_does_define_is_checked_with_its_place() {
        let sent = json!({"resourceType": "icarReproHeatEventResource", "animal": {"scheme": "a"},
            "certainty": "inheat", "eventDateTime": "2026-03-02T06:00:00", "id": 7,
            "visualDetection": {"heatSigns": ["Slime", "Loud"]}, "deviceHeatProbability": "much"});
        let mut places = read(&HEAT, &sent).unwrap_err();
        places.sort();
        assert_eq!(
            places,
            [
                "#/animal/id",
                "#/certainty",
                "#/deviceHeatProbability",
                "#/eventDateTime",
                "#/id",
                "#/visualDetection/heatSigns/1"
            ]
        );
        assert_eq!(
            read(
                &HEAT,
                &json!({"resourceType": "icarReproAbortionEventResource", "animal": {"id": "1", "scheme": "a"}})
            ),
            Err(vec!["#/resourceType".to_owned()])
        );
        assert_eq!(read(&HEAT, &json!([])), Err(vec!["#".to_owned()]));
    }

    #[test]
    fn a_number_is_the_same_however_it_is_written() {
        for (sent, kept) in [(json!(38.0), json!(38)), (json!(3.8e1), json!(38)), (json!(38.5), json!(38.5))]
        {
            assert_eq!(read(&Shape::Number, &sent), Ok(kept));
        }
    }

    #[test]
    fn what_cannot_be_told_again_is_not_taken() {
        // icarMassMeasureType: minimum 0. icarResourceReferenceType: href is a URI. A percentage is one of a hundred.
        let of = |sent: &Value| (read(&WEIGHT, sent).is_ok(), WEIGHT.valid(sent).unwrap());
        assert_eq!(of(&json!({"measurement": 0})), (true, json!({"measurement": 0})));
        assert_eq!(of(&json!({"measurement": -38.5, "units": "KGM"})), (false, json!({"units": "KGM"})));
        for (sent, is_right) in [
            ("https://example.org/collars/7?x=1", true),
            ("urn:example:collar:7", true),
            ("collar 7", false),
            ("collars/7", false),
            ("https://example.org/a b", false),
            ("http://[", false),
        ] {
            let device = json!({"href": sent, "serial": "7"});
            assert_eq!(read(&DEVICE, &device).is_ok(), is_right, "{sent}");
            assert_eq!(DEVICE.valid(&device).unwrap().get("href").is_some(), is_right, "{sent}");
        }
        for (shape, sent, is_right) in [
            (&Shape::Percent, 100, true),
            (&Shape::Percent, 900, false),
            (&Shape::Percent, -1, false),
            (&Shape::Count, 0, true),
            (&Shape::Count, -3, false),
        ] {
            assert_eq!(read(shape, &json!(sent)).is_ok(), is_right, "{sent}");
        }
    }

    #[test]
    fn an_incomplete_meta_is_taken_and_not_told_again() {
        // icarMetaDataType: source and modified are required.
        let straw =
            |meta: Value| json!({"resourceType": "icarReproSemenStrawResource", "batch": "1", "meta": meta});
        let whole = straw(json!({"source": "a", "modified": "2026-03-02T05:00:00Z"}));
        assert_eq!(STRAW.valid(&read(&STRAW, &whole).unwrap()), Some(whole));
        let part = read(&STRAW, &straw(json!({"source": "a"}))).unwrap();
        let told = json!({"resourceType": "icarReproSemenStrawResource", "batch": "1"});
        assert_eq!(STRAW.valid(&part), Some(told));
    }

    #[test]
    fn a_date_is_written_as_an_instant() {
        // icarDateTimeType: also dates of birth and of collection.
        for (sent, kept) in [
            ("2021-02-17", "2021-02-17T00:00:00Z"),
            ("2021-02-17T00:00:00Z", "2021-02-17T00:00:00Z"),
            ("2021-02-17T00:00:00+01:00", "2021-02-16T23:00:00Z"),
        ] {
            assert_eq!(read(&Shape::Date, &json!(sent)), Ok(json!(kept)));
        }
    }
}
