//! The groups of an animal: tags that her herd gives.

use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;

use crate::{
    domain::{
        form::{Fault, Field, InputPath},
        values::Code,
    },
    json_column,
};

/// Groups that one animal may be in, and that one clause may name.
const MOST: usize = 20;

/// Tags that a herd gives its animals, each once.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(transparent)]
pub struct Groups(Vec<Code>);
json_column!(Groups);

impl Groups {
    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Whether one of these is among `others`.
    pub fn meet(&self, others: &Self) -> bool {
        self.0.iter().any(|group| others.0.contains(group))
    }

    /// The groups in words: "show or nucleus".
    pub fn describe(&self) -> String {
        self.0.iter().map(Code::as_str).collect::<Vec<_>>().join(" or ")
    }
}

impl Field for Groups {
    /// A list, or in a spreadsheet's cell text with `|` between them.
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        let groups = match value {
            Value::String(text) if spot.is_text_only() => {
                let parsed = text.split('|').map(Code::parse).collect::<Result<Vec<_>, _>>();
                parsed.map_err(|wrong| faults.push(spot.fault(wrong))).ok()?
            }
            list => Vec::<Code>::read(list, spot, faults)?,
        };
        if groups.len() > MOST {
            faults.push(spot.fault(format!("must name at most {MOST} groups")));
            return None;
        }
        if let Some(n) = (0..groups.len()).find(|n| groups[..*n].contains(&groups[*n])) {
            faults.push(spot.element(n).fault("stands in the list twice"));
            return None;
        }
        Some(Self(groups))
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::domain::form::read;

    #[test]
    fn groups_are_a_list_or_text_in_a_cell() {
        let list = read::<Groups>(&json!(["show", " dry "]), &InputPath::body()).unwrap();
        assert_eq!(list.describe(), "show or dry");
        assert_eq!(read::<Groups>(&json!("show | dry"), &InputPath::query()), Ok(list));
        for (wrong, pointer) in [(json!(["a", "b", "a"]), "#/2"), (json!("a"), "#"), (json!([""]), "#/0")] {
            assert_eq!(read::<Groups>(&wrong, &InputPath::body()).unwrap_err()[0].pointer, pointer);
        }
        let many: Vec<_> = (0..21).map(|n| n.to_string()).collect();
        assert!(read::<Groups>(&json!(many), &InputPath::body()).is_err());
    }
}
