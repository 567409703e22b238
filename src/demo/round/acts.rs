//! What the steps are made of: a straw is asked for, thawed and used, each told as it happens; and the
//! straws are counted.

use std::collections::BTreeMap;

use anyhow::Context as _;
use chrono::TimeDelta;
use serde_json::Value;

use crate::{
    demo::{
        client::Answer,
        farm::Animal,
        round::Round,
        technician::{self, Bath, Technician},
    },
    domain::values::Timestamp,
};

impl Round<'_> {
    /// So many minutes into the round.
    pub(super) fn at(&self, minutes: i64) -> Timestamp {
        self.start.plus(TimeDelta::minutes(minutes))
    }

    /// Mira asks for a straw.
    pub(super) async fn withdraw(
        &mut self,
        animal: &Animal,
        selection: &Value,
        minute: i64,
    ) -> anyhow::Result<Answer> {
        let mira = self.mira.clone();
        self.withdraw_by(&mira, animal, selection, minute).await
    }

    pub(super) async fn withdraw_by(
        &mut self,
        who: &Technician,
        animal: &Animal,
        selection: &Value,
        minute: i64,
    ) -> anyhow::Result<Answer> {
        let body = who.withdrawal(animal, selection, self.at(minute));
        let answer = who.client.post("/v1/withdrawals", &body).await?;
        technician::report_withdrawal(self.narrate, "told", self.farm, &answer);
        self.took(&answer)?;
        Ok(answer)
    }

    /// Counts a straw that left its tank.
    pub(super) fn took(&mut self, answer: &Answer) -> anyhow::Result<()> {
        if answer.status == 201 {
            *self.taken.entry(answer.text("/place/tank_id")?.to_owned()).or_default() +=
                answer.number("/straws")?;
        }
        Ok(())
    }

    /// Mira takes the first of the straws offered that is of this type.
    pub(super) async fn take_offered(
        &mut self,
        animal: &Animal,
        semen_type: &str,
        minute: i64,
    ) -> anyhow::Result<Answer> {
        let next = self.mira.asks_for_next(animal, self.at(minute)).await?;
        let offered = technician::first_offered(&next, semen_type)?;
        self.narrate.does(&format!(
            "Mira takes a {} for {}.",
            technician::hanging(self.farm, offered),
            animal.number
        ));
        self.withdraw(animal, &technician::just_that(offered), minute).await?.must_be(201)
    }

    /// Mira takes the first of the straws that a refusal named.
    pub(super) async fn take_instead(
        &mut self,
        animal: &Animal,
        refusal: &Answer,
        minute: i64,
    ) -> anyhow::Result<Answer> {
        let named = refusal.list("/allowed")?.first().context("no other straw was named")?;
        self.narrate.does("Mira takes the one that was named.");
        self.withdraw(animal, &technician::just_that(named), minute).await?.must_be(201)
    }

    /// The bath is checked before the straw is lifted; gives the verdict's answer.
    pub(super) async fn check_bath(
        &mut self,
        who: &Technician,
        lot: &str,
        bath: Bath,
    ) -> anyhow::Result<Answer> {
        self.narrate
            .does(&format!("{} checks the bath before lifting: it shows {:.1} C.", who.name, bath.temp_c));
        let answer = who.checks_bath(lot, bath).await?;
        technician::report_bath(self.narrate, &answer)?;
        Ok(answer)
    }

    /// Mira puts a straw that left the tank in that minute into the bath.
    pub(super) async fn thaw(
        &mut self,
        animal: &Animal,
        straw: &Answer,
        bath: Bath,
        minute: i64,
    ) -> anyhow::Result<Answer> {
        let mira = self.mira.clone();
        self.thaw_by(&mira, animal, straw, bath, minute).await
    }

    pub(super) async fn thaw_by(
        &mut self,
        who: &Technician,
        animal: &Animal,
        straw: &Answer,
        bath: Bath,
        minute: i64,
    ) -> anyhow::Result<Answer> {
        self.narrate.does(&format!("{} puts it into the bath, which shows {:.1} C.", who.name, bath.temp_c));
        let answer = who.thaws(straw, bath, self.at(minute).plus(technician::TO_BATH)).await?;
        technician::report_thaw(self.narrate, animal, &answer)?;
        Ok(answer)
    }

    /// Mira thaws a straw in a bath that is right, and serves three minutes after it left the tank in `minute`.
    pub(super) async fn thaw_and_serve(
        &mut self,
        animal: &Animal,
        straw: &Answer,
        bath: Bath,
        minute: i64,
    ) -> anyhow::Result<Answer> {
        let mira = self.mira.clone();
        self.thaw_and_serve_by(&mira, animal, straw, bath, minute).await
    }

    pub(super) async fn thaw_and_serve_by(
        &mut self,
        who: &Technician,
        animal: &Animal,
        straw: &Answer,
        bath: Bath,
        minute: i64,
    ) -> anyhow::Result<Answer> {
        self.thaw_by(who, animal, straw, bath, minute).await?.must_be(200)?;
        let service = who.serves(straw, self.at(minute + 3)).await?;
        technician::report_service(self.narrate, animal, &service)?;
        Ok(service)
    }

    /// A service as it stands in the book.
    pub(super) async fn on_record(&self, service: &Answer) -> anyhow::Result<Answer> {
        self.mira.client.get(&format!("/v1/services/{}", service.text("/id")?)).await?.must_be(200)
    }

    /// Straws in each tank, by the tank's id, read a page at a time.
    pub(super) async fn stock_by_tank(&self) -> anyhow::Result<BTreeMap<String, i64>> {
        let mut by_tank = BTreeMap::new();
        for hanging in self.mira.client.list("/v1/stock?limit=20").await? {
            let tank = hanging["place"]["tank_id"].as_str().unwrap_or_default().to_owned();
            *by_tank.entry(tank).or_default() += hanging["straws"].as_i64().unwrap_or_default();
        }
        Ok(by_tank)
    }

    /// How many straws of a lot hang in all tanks.
    pub(super) async fn straws_of(&self, lot: &str) -> anyhow::Result<i64> {
        let stock = self.mira.client.get(&format!("/v1/stock?lot_id={lot}")).await?.must_be(200)?;
        stock.number("/total_straws")
    }

    pub(super) fn sire(&self, number: usize) -> anyhow::Result<String> {
        Ok(self.farm.sires.get(number).context("the farm has no such sire")?.id.clone())
    }

    pub(super) fn lot(&self, number: usize) -> anyhow::Result<String> {
        self.farm.lots.get(number).cloned().context("the farm has no such lot")
    }
}
