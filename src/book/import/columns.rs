//! The columns of the files that can be taken in, as they are explained to people.
//!
//! What a value may be is not said here but by its type in `inventory`, `animals` and `services`; a test
//! holds the names together.

use std::fmt::Write as _;

/// A column.
#[derive(Clone, Copy, Debug)]
pub struct Column {
    /// Its name in the header.
    pub name: &'static str,
    /// Whether every line must fill it.
    pub required: bool,
    /// Whether it holds a number with a fraction, where a decimal comma may stand.
    pub decimal: bool,
    /// What it holds.
    pub what: &'static str,
    /// An invented example.
    pub example: &'static str,
}

macro_rules! columns {
    ($($(#[$doc:meta])* $list:ident { $($name:literal $need:ident $what:literal, $example:literal;)+ })+) => {$(
        $(#[$doc])*
        pub const $list: &[Column] = &[$(columns!(@ $need $name, $what, $example),)+];
    )+};
    (@ must $name:literal, $what:literal, $example:literal) => {
        Column { name: $name, required: true, decimal: false, what: $what, example: $example }
    };
    (@ may $name:literal, $what:literal, $example:literal) => {
        Column { name: $name, required: false, decimal: false, what: $what, example: $example }
    };
    (@ decimal $name:literal, $what:literal, $example:literal) => {
        Column { name: $name, required: false, decimal: true, what: $what, example: $example }
    };
}

columns! {
    /// What hangs in the tanks: one line for the straws of one lot at one place.
    INVENTORY {
        "tank" must "The tank, by its name in the book.", "Dairy room";
        "canister" must "The number of the canister in the tank.", "3";
        "cane" may "The cane, as the farm marks it.", "B";
        "goblet" may "The goblet of the cane.", "upper";
        "sire" may "The sire's name; may be left out when an identifier finds him.", "Invented One";
        "breed" may "The sire's breed, three letters.", "HOL";
        "international_id" may "The sire's international ID.", "HOLCANM000000A12345";
        "uniform_code" may "The sire's uniform code.", "7HO5157";
        "semen_type" must "conventional, sexed_female or sexed_male.", "sexed_female";
        "batch" may "The batch printed on the straw.", "24117";
        "collected_on" may "The day of collection, such as 2024-04-26.", "2024-04-26";
        "collection_centre" may "Where it was collected.", "Invented Centre";
        "straw_ml" decimal "The straw's volume, 0.25 or 0.5.", "0.25";
        "sexed_percentage" may "Of sexed semen, the share of the stated sex in percent.", "90";
        "status" may "usable (when empty), quarantined or recalled.", "usable";
        "straws" must "How many straws hang there.", "10";
        "received_at" may "When they came: a time with an offset, or a day; now when empty.",
            "2026-02-27T09:30:00+01:00";
    }
    /// The animals of herds: one line for each.
    ANIMALS {
        "herd" must "The herd, by its name in the book.", "Lower Meadow";
        "number" must "Her number in the herd.", "412";
        "name" may "Her name.", "Alba";
        "born_on" may "Her day of birth, such as 2023-05-02.", "2023-05-02";
        "breed" may "Her breed, three letters.", "HOL";
        "iso_11784" may "Her 15-digit animal code.", "276000012345678";
        "international_id" may "Her international ID.", "HOLDEUF000012345678";
        "sire" may "Her sire's name.", "Invented One";
        "sire_international_id" may "Her sire's international ID.", "HOLCANM000000A12345";
        "dam_number" may "Her dam's number in the same herd; the dam is in the book or in this file.", "";
        "calved_at" may "Her last calving: a time with an offset, or a day.", "2025-11-20T03:15:00+01:00";
        "left_on" may "The day on which she left the herd.", "";
    }
    /// What animals were served with so far: one line for each insemination.
    SERVICES {
        "herd" must "The herd, by its name in the book.", "Lower Meadow";
        "number" must "The animal's number in the herd.", "412";
        "served_at" must "When: a time with an offset, or a day.", "2026-01-19T07:40:00+01:00";
        "technician" may "Who did it.", "Mira";
        "sire" may "The sire's name.", "Invented One";
        "sire_international_id" may "The sire's international ID.", "HOLCANM000000A12345";
        "semen_type" may "conventional, sexed_female or sexed_male.", "sexed_female";
        "note" may "A remark.", "Second straw of the goblet";
    }
}

/// The columns as a command's help tells them.
pub fn told(columns: &[Column]) -> String {
    let mut told = String::from("Columns, in any order, those marked * in every file and on every line:\n");
    for column in columns {
        let mark = if column.required { '*' } else { ' ' };
        let _ = writeln!(told, "  {mark} {:<22} {}", column.name, column.what);
    }
    told.push_str(
        "\nUTF-8, separated by , or ; as the header is; with ; a decimal comma is understood. \
         A day alone means its noon, where the herd is. docs/import-export.md says the rest.",
    );
    told
}
