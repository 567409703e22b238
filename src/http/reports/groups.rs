//! What services or straws of one group have in common: their columns, and what people call it.

use std::collections::HashMap;

use uuid::Uuid;

use crate::{
    domain::{
        reports::group::{Dimension, GroupKey, Part},
        values::BusinessId,
    },
    store::{self, Tx, reports::record},
};

/// The columns of what groups have in common.
pub fn key_columns(by: &[Dimension]) -> Vec<&'static str> {
    let keys = by.iter().flat_map(|by| match by {
        Dimension::Sire => ["sire_id", "sire_name"],
        Dimension::Lot => ["lot_id", "lot"],
        Dimension::Tank => ["tank_id", "tank_name"],
        Dimension::Herd => ["herd_id", "herd_name"],
        other => [other.as_str(), ""],
    });
    keys.filter(|name| !name.is_empty()).collect()
}

/// The cells of what a group has in common.
pub fn cells(keys: &[GroupKey]) -> Vec<String> {
    let told = keys.iter().flat_map(|key| {
        if key.by.is_of_things() {
            vec![key.value.clone().unwrap_or_default(), key.label.clone()]
        } else {
            vec![key.label.clone()]
        }
    });
    told.collect()
}

/// What people call those of the parts that are things of the book.
pub async fn names<'p>(
    tx: &mut Tx,
    business: BusinessId,
    parts: impl IntoIterator<Item = &'p Part>,
) -> store::Result<HashMap<Uuid, String>> {
    let id = |part: &Part| if let Part::Id(id) = part { Some(*id) } else { None };
    let mut ids: Vec<Uuid> = parts.into_iter().filter_map(id).collect();
    ids.sort_unstable();
    ids.dedup();
    if ids.is_empty() {
        return Ok(HashMap::new());
    }
    let known = record::names(tx, business, &ids).await?;
    Ok(known.into_iter().map(|named| (named.id, named.label())).collect())
}

/// The groups with what people call what they have in common, in the order of that.
pub async fn named<T>(
    tx: &mut Tx,
    business: BusinessId,
    by: &[Dimension],
    groups: Vec<(Vec<Part>, T)>,
) -> store::Result<Vec<(Vec<GroupKey>, T)>> {
    let names = names(tx, business, groups.iter().flat_map(|(key, _)| key)).await?;
    // Numbers and classes are in their order already; what has a name comes in the order of its name.
    let mut told: Vec<_> = groups
        .into_iter()
        .map(|(key, of)| {
            let keys: Vec<GroupKey> =
                by.iter().zip(&key).map(|(by, part)| part.told(*by, |id| names.get(&id).cloned())).collect();
            let order: Vec<_> = key
                .into_iter()
                .zip(&keys)
                .map(
                    |(part, told)| {
                        if matches!(part, Part::Id(_)) { Part::Text(told.label.clone()) } else { part }
                    },
                )
                .collect();
            (order, keys, of)
        })
        .collect();
    told.sort_by(|a, b| a.0.cmp(&b.0));
    Ok(told.into_iter().map(|(_, keys, of)| (keys, of)).collect())
}
