//! The level of a tank's nitrogen is read, or the tank is topped up.

use crate::{
    book::{
        CommandError,
        command::{Command, CommandContext, On},
    },
    domain::{
        nitrogen::{
            level::{NewReading, NewRefill, NewRepair, Reading, Refill, Repair},
            read_level,
        },
        values::{TankId, Timestamp},
    },
    store::nitrogen::level,
};
use chrono::TimeDelta;

/// A record not older than this is looked at at once for what it means now; a history that is brought along
/// is looked at with the next round.
const TELLS_OF_NOW: TimeDelta = TimeDelta::hours(24);

impl Command for On<TankId, NewReading> {
    type Done = Reading;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Reading, CommandError> {
        let (business, new) = (cx.business(), &self.command);
        let at = new.read_at.unwrap_or(cx.now);
        let facts = level::before_reading(cx.tx, business, self.id, at, new.supersedes).await?;
        let reading = read_level::reading(new, self.id, &facts, cx.now())?;
        level::write_reading(cx.tx, business, cx.caller.key_id, &reading).await?;
        look_at(cx, self.id, at);
        Ok(reading)
    }
}

impl Command for On<TankId, NewRefill> {
    type Done = Refill;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Refill, CommandError> {
        let (business, new) = (cx.business(), &self.command);
        let at = new.filled_at.unwrap_or(cx.now);
        let facts = level::before_refill(cx.tx, business, self.id, at, new.supersedes).await?;
        let refill = read_level::refill(new, self.id, &facts, cx.now())?;
        level::write_refill(cx.tx, business, cx.caller.key_id, &refill).await?;
        look_at(cx, self.id, at);
        Ok(refill)
    }
}

impl Command for On<TankId, NewRepair> {
    type Done = Repair;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Repair, CommandError> {
        let (business, new) = (cx.business(), &self.command);
        let at = new.repaired_at.unwrap_or(cx.now);
        let facts = level::before_repair(cx.tx, business, self.id, at, new.supersedes).await?;
        let repair = read_level::repair(new, self.id, &facts, cx.now())?;
        level::write_repair(cx.tx, business, cx.caller.key_id, &repair).await?;
        cx.touched.tank(self.id);
        Ok(repair)
    }
}

fn look_at(cx: &mut CommandContext<'_>, tank: TankId, at: Timestamp) {
    if cx.now.since(at) <= TELLS_OF_NOW {
        cx.touched.tank(tank);
    }
}
