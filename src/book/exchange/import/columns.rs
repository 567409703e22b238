//! The columns of the files that can be taken in, as they are explained to people.
//!
//! What a value may be is not said here but by its type in `inventory`, `bulls`, `animals`, `services` and `plans`; a test
//! holds the names together.

use std::fmt::Write as _;

/// A column.
#[derive(Clone, Copy, Debug)]
pub struct Column {
    /// Its name in the header.
    pub name: &'static str,
    /// How a line fills it.
    pub kind: Kind,
    /// What it holds.
    pub what: &'static str,
    /// An invented example.
    pub example: &'static str,
}

/// How a line fills a column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Every line must.
    Must,
    /// It may.
    May,
    /// It may, with a number in which a decimal comma may stand.
    Decimal,
    /// Exports have it; nothing is read from it.
    Unread,
}

macro_rules! columns {
    ($($(#[$doc:meta])* $list:ident { $($name:literal $kind:ident $what:literal, $example:literal;)+ })+) => {$(
        $(#[$doc])*
        pub const $list: &[Column] =
            &[$(Column { name: $name, kind: Kind::$kind, what: $what, example: $example },)+];
    )+};
}

columns! {
    /// What hangs in the tanks: one line for the straws of one lot at one place. An export of the stock is
    /// such a file.
    INVENTORY {
        "tank_name" Must "The tank, by its name in the book.", "Dairy room";
        "canister" Must "The number of the canister in the tank.", "3";
        "cane" May "The cane, as the farm marks it.", "B";
        "goblet" May "The goblet of the cane.", "upper";
        "sire_name" May "The sire's name; may be left out when an identifier finds him.", "Invented One";
        "sire_breed" May "The sire's breed, three letters.", "HOL";
        "sire_purpose" May "What the sire's calves are kept for: dairy, beef or dual.", "dairy";
        "sire_international_id" May "The sire's international ID.", "HOLZZZM000000A12345";
        "sire_uniform_code" May "The sire's uniform code.", "0HO123";
        "semen_type" Must "conventional, sexed_female or sexed_male.", "sexed_female";
        "batch" May "The batch printed on the straw.", "24117";
        "collected_on" May "The day of collection, such as 2024-04-26.", "2024-04-26";
        "collection_centre" May "Where it was collected.", "Invented Centre";
        "straw_ml" Decimal "The straw's volume, 0.25 or 0.5.", "0.25";
        "sexed_percentage" May "Of sexed semen, the share of the stated sex in percent.", "90";
        "status" May "usable (when empty), quarantined or recalled.", "usable";
        "owner_herd_name" May "The herd whose straws they are, by its name in the book; the technician's own when empty.", "";
        "on_hold" Unread "Not read.", "";
        "straws" Must "How many straws hang there.", "10";
        "received_at" May "When they came: a time with an offset, or a day; now when empty.",
            "2026-02-27T09:30:00+01:00";
        "sire_identifiers" May "All the sire's identifiers, as JSON: [{\"scheme\": ..., \"id\": ...}].", "";
        "cost" May "What a straw cost, as JSON: {\"amount_minor\": 1850, \"currency\": \"EUR\"}.", "";
        "thaw" May "The supplier's printed thawing instruction, as JSON like a lot's.", "";
        "lot_id" May "Tells lots apart that are otherwise alike; not taken over.", "";
        "sire_id" May "Tells sires apart that are otherwise alike; not taken over.", "";
        "tank_id" Unread "Not read.", "";
    }
    /// Sires: one line for each. An export of the sires is such a file.
    SIRES {
        "name" May "His name; may be left out when an identifier finds him.", "Invented Three";
        "breed" May "His breed, three letters.", "HOL";
        "purpose" May "What his calves are kept for: dairy, beef or dual.", "dairy";
        "international_id" May "His international ID.", "HOLZZZM000000C67890";
        "uniform_code" May "His uniform code.", "0HO456";
        "sire_name" May "His own sire's name.", "Invented One";
        "sire_international_id" May "His own sire's international ID.", "HOLZZZM000000A12345";
        "identifiers" May "All his identifiers, as JSON: [{\"scheme\": ..., \"id\": ...}].", "";
        "id" May "Tells sires apart that are otherwise alike; not taken over.", "";
        "sire_id" May "His own sire's id, of another line of this file or in the book.", "";
        "maternal_grandsire_name" May "The name of his dam's sire.", "";
        "maternal_grandsire_international_id" May "The international ID of his dam's sire.", "";
        "maternal_grandsire_id" May "The id of his dam's sire, of another line of this file or in the book.", "";
        "sire_identifier" Unread "Not read.", "";
        "dam_identifier" Unread "Not read.", "";
        "maternal_grandsire_identifier" Unread "Not read.", "";
        "dam_id" Unread "Not read: his dam is an animal of the book from which the list comes.", "";
        "created_at" Unread "Not read.", "";
    }
    /// The animals of herds: one line for each.
    ANIMALS {
        "herd_name" Must "The herd, by its name in the book.", "Lower Meadow";
        "number" Must "Her number in the herd.", "412";
        "name" May "Her name.", "Alba";
        "born_on" May "Her day of birth, such as 2023-05-02.", "2023-05-02";
        "breed" May "Her breed, three letters.", "HOL";
        "groups" May "Her groups, with | between them.", "fresh|nucleus";
        "iso_11784" May "Her 15-digit animal code.", "276000012345678";
        "international_id" May "Her international ID.", "HOLZZZF000012345678";
        "sire_name" May "Her sire's name.", "Invented One";
        "sire_international_id" May "Her sire's international ID.", "HOLZZZM000000A12345";
        "dam_number" May "Her dam's number in the same herd; the dam is in the book or in this file.", "";
        "calved_at" May "Her last calving: a time with an offset, or a day.", "2025-11-20T03:15:00+01:00";
        "left_on" May "The day on which she left the herd.", "";
    }
    /// What animals were served with so far: one line for each insemination.
    SERVICES {
        "herd_name" Must "The herd, by its name in the book.", "Lower Meadow";
        "animal_number" Must "The animal's number in the herd.", "412";
        "served_at" Must "When: a time with an offset, or a day.", "2026-01-19T07:40:00+01:00";
        "kind" May "ai (when empty), natural or embryo_transfer.", "ai";
        "technician" May "Who did it.", "Mira";
        "sire_name" May "The sire's name.", "Invented One";
        "sire_international_id" May "The sire's international ID.", "HOLZZZM000000A12345";
        "semen_type" May "conventional, sexed_female or sexed_male.", "sexed_female";
        "note" May "A remark.", "Second straw of the goblet";
    }
    /// Mating plans: one line for each choice of an animal's plan. An export of the mating plans is such a file.
    MATING_PLANS {
        "herd_name" Must "The herd, by its name in the book.", "Lower Meadow";
        "animal_number" Must "The animal's number in the herd.", "412";
        "rank" May "The place of the choice in her plan, 1 first; the order of her lines when empty.", "1";
        "recommendation" May "sire (when empty), beef_sire, no_sire or impossible.", "";
        "sire_name" May "The sire's name; he must be in the book. May be left out when an identifier finds him.", "Invented One";
        "sire_international_id" May "The sire's international ID.", "HOLZZZM000000A12345";
        "sire_uniform_code" May "The sire's uniform code.", "0HO123";
        "semen_type" May "Only his straws of this type: conventional, sexed_female or sexed_male.", "sexed_female";
        "service_number" May "Only for this service number.", "1";
        "from_service" May "The first service number for which he is meant.", "";
        "to_service" May "The last one.", "";
        "lactation" May "Only in this lactation: calvings on record, 0 for heifers.", "";
        "note" May "A remark on her plan, the same on all her lines.", "Agreed in February";
        "source" May "by_hand (when empty) or herd_software.", "";
        "sire_identifiers" May "All the sire's identifiers, as JSON: [{\"scheme\": ..., \"id\": ...}].", "";
        "sire_id" May "Tells sires apart that are otherwise alike, by their ids in the book.", "";
        "animal_id" Unread "Not read.", "";
        "herd_id" Unread "Not read.", "";
        "item_id" Unread "Not read.", "";
        "planned_at" Unread "Not read.", "";
        "recorded_at" Unread "Not read.", "";
        "recorded_by" Unread "Not read.", "";
    }
}

/// An empty file: the header, and a line of invented examples to be written over.
pub fn template(columns: &[Column]) -> String {
    let line = |cell: fn(&Column) -> &'static str| columns.iter().map(cell).collect::<Vec<_>>().join(",");
    format!("{}\r\n{}\r\n", line(|column| column.name), line(|column| column.example))
}

/// The columns as a command's help tells them.
pub fn told(columns: &[Column]) -> String {
    let mut told = String::from("Columns, in any order, those marked * in every file and on every line:\n");
    for column in columns {
        let mark = if column.kind == Kind::Must { '*' } else { ' ' };
        let _ = writeln!(told, "  {mark} {:<22} {}", column.name, column.what);
    }
    told.push_str(
        "\nUTF-8, separated by , or ;. In a number with a fraction a decimal comma is understood. A day alone \
         means its noon, where the herd is. docs/import-export.md says the rest.",
    );
    told
}
