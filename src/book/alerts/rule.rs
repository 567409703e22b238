//! Deciding of what one wants to be told.

use crate::{
    book::{
        CommandError,
        catalogue::check_version,
        command::{Command, CommandContext},
        lookup,
    },
    domain::{alerts::rule::AlertRule, rejection::Rejection, values::AlertRuleId},
    store,
};

/// Rules that a business may have; each is gone through every few hours.
const MOST_RULES: i64 = 500;

/// Refuses a rule that names what is not there, or holds for the same as another. What its alerts were about
/// is looked at anew when it is changed; what it watches from now on, at the next round.
pub async fn check_alert_rule(
    rule: &AlertRule,
    cx: &mut CommandContext<'_>,
    before: Option<&AlertRule>,
) -> Result<(), CommandError> {
    let (business, d) = (cx.business(), &rule.details);
    if let Some(tank) = d.tank_id {
        lookup::tank(cx, tank, Some("#/tank_id")).await?;
    }
    if let Some(herd) = d.herd_id {
        lookup::herd(cx, herd, Some("#/herd_id")).await?;
    }
    if let Some(sire) = d.sire_id {
        lookup::sire(cx, sire, Some("#/sire_id")).await?;
    }
    if let Some(lot) = d.lot_id {
        lookup::lot(cx, lot, Some("#/lot_id")).await?;
    }
    let holds_for = |rule: &AlertRule| {
        let d = &rule.details;
        (d.tank_id, d.herd_id, d.sire_id, d.semen_type, d.lot_id)
    };
    let others = store::alerts::rule::of_kind(cx.tx, business, d.kind).await?;
    if let Some(other) =
        others.iter().find(|other| other.id != rule.id && holds_for(other) == holds_for(rule))
    {
        let text = format!("Rule {} holds for the same already; change that one.", other.id);
        return Err(Rejection::InUse { text }.into());
    }
    match before {
        Some(_) => cx.touched.rule(rule.id),
        None if store::alerts::rule::count(cx.tx, business).await? >= MOST_RULES => {
            let text = format!("There are {MOST_RULES} rules already; a wider one may do for several.");
            return Err(Rejection::InUse { text }.into());
        }
        None => {}
    }
    Ok(())
}

/// Takes a rule away. Its alerts are over, unless another rule holds for the same.
#[derive(Clone, Debug)]
pub struct RemoveRule {
    /// Which.
    pub id: AlertRuleId,
    /// The versions of which one must still be in the book.
    pub if_match: Option<Vec<String>>,
}

impl Command for RemoveRule {
    type Done = ();
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<(), CommandError> {
        let business = cx.business();
        let rule = store::alerts::rule::find(cx.tx, business, self.id).await?;
        let rule = rule.ok_or(Rejection::Unknown { what: "alert rule", id: self.id.0, pointer: None })?;
        check_version(self.if_match.as_deref(), &rule)?;
        store::alerts::rule::remove(cx.tx, business, self.id).await?;
        cx.touched.rule(self.id);
        Ok(())
    }
}
