//! For tests of whatever reads what strangers send: the kept cases of `tests/corpus`, and texts near them.
//!
//! A file of the corpus has a case a line, as a JSON string. All of them are tried at each run; then a few thousand that are made of
//! them by edits, other ones each time unless `PROPTEST_RNG_SEED` is set. One that fails is shown as the line to add.

use proptest::{
    prelude::*,
    sample::Index,
    test_runner::{Config, TestCaseError, TestError, TestRunner},
};

/// Texts near the corpus that are tried at each run.
const CASES: u32 = 3000;

/// Characters that mean something somewhere, or that are often forgotten.
const SPECIAL: &[char] = &[
    ' ',
    '\t',
    '\r',
    '\n',
    '\0',
    '"',
    '\'',
    ',',
    ';',
    '=',
    '{',
    '}',
    '[',
    ']',
    ':',
    '/',
    '\\',
    '@',
    '#',
    '?',
    '%',
    '.',
    '-',
    '_',
    '+',
    '0',
    '9',
    'A',
    'z',
    '\u{7f}',
    '\u{e4}',
    '\u{130}',
    '\u{202e}',
    '\u{feff}',
    '\u{ff10}',
    '\u{1f404}',
];

/// One change of a text.
#[derive(Clone, Debug)]
enum Edit {
    Insert(Index, char),
    Remove(Index),
    Replace(Index, char),
    /// A stretch once more, so many times.
    Repeat(Index, Index, usize),
    /// Goes on as another case does.
    Splice(Index, Index),
}

/// The kept cases of a name.
pub(crate) fn corpus(name: &str) -> Vec<String> {
    let path = format!("{}/tests/corpus/{name}.jsonl", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{path}: {error}"));
    let cases: Vec<String> = text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert!(cases.len() >= 5, "{path} says little");
    cases
}

/// Tries all kept cases of a name, and texts near them.
pub(crate) fn against(name: &str, check: impl Fn(&str) -> Result<(), TestCaseError>) {
    let cases = corpus(name);
    for case in &cases {
        if let Err(why) = check(case) {
            panic!("{name}: {case:?}: {why}");
        }
    }
    let config = Config { cases: CASES, failure_persistence: None, ..Config::default() };
    let tried = TestRunner::new(config).run(&near(cases), |text| check(&text));
    match tried {
        Ok(()) => {}
        Err(TestError::Fail(why, text)) => panic!(
            "{name}: {why}\nadd this line to tests/corpus/{name}.jsonl: {}",
            serde_json::Value::String(text)
        ),
        Err(TestError::Abort(why)) => panic!("{name}: {why}"),
    }
}

/// Texts that are made of these by up to six edits.
fn near(cases: Vec<String>) -> impl Strategy<Value = String> {
    let letter = || prop_oneof![3 => proptest::sample::select(SPECIAL), 1 => any::<char>()];
    let edit = prop_oneof![
        3 => (any::<Index>(), letter()).prop_map(|(at, with)| Edit::Insert(at, with)),
        3 => any::<Index>().prop_map(Edit::Remove),
        3 => (any::<Index>(), letter()).prop_map(|(at, with)| Edit::Replace(at, with)),
        1 => (any::<Index>(), any::<Index>(), 1_usize..40).prop_map(|(from, to, times)| Edit::Repeat(from, to, times)),
        1 => (any::<Index>(), any::<Index>()).prop_map(|(at, other)| Edit::Splice(at, other)),
    ];
    (proptest::sample::select(cases.clone()), proptest::collection::vec(edit, 0..7))
        .prop_map(move |(case, edits)| edits.iter().fold(case, |text, edit| edited(&text, edit, &cases)))
}

fn edited(text: &str, edit: &Edit, cases: &[String]) -> String {
    let mut letters: Vec<char> = text.chars().collect();
    let place = |at: &Index| at.index(letters.len() + 1);
    match edit {
        Edit::Insert(at, with) => {
            let at = place(at);
            letters.insert(at, *with);
        }
        _ if letters.is_empty() => {}
        Edit::Remove(at) => {
            let at = at.index(letters.len());
            letters.remove(at);
        }
        Edit::Replace(at, with) => {
            let at = at.index(letters.len());
            letters[at] = *with;
        }
        Edit::Repeat(from, to, times) => {
            let (from, to) = (place(from).min(place(to)), place(from).max(place(to)));
            let stretch = letters[from..to].repeat(*times);
            drop(letters.splice(from..from, stretch.into_iter().take(4000)));
        }
        Edit::Splice(at, other) => {
            let at = place(at);
            let other = &cases[other.index(cases.len())];
            let rest: Vec<char> = other.chars().skip(at).collect();
            drop(letters.splice(at.., rest));
        }
    }
    letters.into_iter().collect()
}
