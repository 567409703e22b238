//! One morning's round: each step says what is done, what the technician is told, and whether it
//! came out as it must.
//!
//! Every time is told to the service as it was on that morning, so that nothing need be waited for.
//! The steps lean on different animals: one that comes out otherwise does not spoil those after it.

mod acts;
mod watched;

use std::collections::BTreeMap;

use anyhow::{Context as _, bail, ensure};
use chrono::TimeDelta;
use serde_json::{Value, json};

use crate::{
    demo::{
        client::{Answer, new_idempotency_key},
        farm::{Farm, sire},
        narration::{CAUTION, Narrator},
        straws,
        technician::{self, Bath, RIGHT_BATH, Technician},
    },
    domain::values::Timestamp,
};

/// From the first heat to the last count.
pub const LENGTH: TimeDelta = TimeDelta::hours(4);

/// Hours before the round at which a heat must have stood for sexed semen, which goes in late.
const STOOD_FOR_SEXED: i64 = 19;

/// The same for conventional semen.
const STOOD_FOR_CONVENTIONAL: i64 = 11;

/// The round and what it has done so far.
pub struct Round<'r> {
    farm: &'r Farm,
    narrate: &'r mut Narrator,
    manager: Technician,
    mira: Technician,
    jon: Technician,
    start: Timestamp,
    /// Straws in each tank when the round began, by the tank's id.
    before: BTreeMap<String, i64>,
    /// Straws that were taken out since.
    taken: BTreeMap<String, i64>,
    /// Who is told of alerts.
    office: Option<watched::Office>,
}

impl<'r> Round<'r> {
    /// A round that begins at `start`, by a manager and two technicians.
    pub fn new(farm: &'r Farm, narrate: &'r mut Narrator, hands: [Technician; 3], start: Timestamp) -> Self {
        let [manager, mira, jon] = hands;
        Self {
            farm,
            narrate,
            manager,
            mira,
            jon,
            start,
            before: BTreeMap::new(),
            taken: BTreeMap::new(),
            office: None,
        }
    }

    /// Plays it.
    pub async fn play(mut self) {
        let (meadow, ridge) = (&self.farm.meadow, &self.farm.ridge);
        self.narrate.heading(&format!(
            "The round of {}: it is {} at {} and {} at {}",
            self.start.utc().with_timezone(&meadow.zone).format("%A %-d %B %Y"),
            technician::clock(self.start, meadow.zone),
            meadow.name,
            technician::clock(self.start, ridge.zone),
            ridge.name
        ));
        self.narrate.line(CAUTION);

        macro_rules! steps {
            ($($title:literal $step:ident;)+) => {$(
                self.narrate.step($title);
                let outcome = self.$step().await;
                self.narrate.came_out(outcome);
            )+};
        }
        steps! {
            "The straws are counted, and heats reported" heats;
            "Nitrogen: when to fill" nitrogen;
            "Before the plug comes off: what each of them calls for" next_services;
            "A first service: sexed semen" first_service;
            "A repeat: conventional semen" repeat;
            "The wrong choice is refused" wrong_choice;
            "The manager sets the rule aside" override_of_the_rule;
            "The bath is too warm" warm_bath;
            "She broke loose: a late use" late_use;
            "She is pregnant" pregnant;
            "Her own sire" own_daughter;
            "A lot in quarantine" quarantine;
            "A farmer's own straws in the technician's tank" farmers_own;
            "Not to be bred" not_to_be_bred;
            "The answer was lost on the way" lost_answer;
            "One last straw, two technicians" last_straw;
            "The office listens" office_listens;
            "Without a signal" offline_batch;
            "The office is told that a lot runs low" office_is_told;
            "A tank fails" failing_tank;
            "The straws are counted again" count;
        }
    }

    async fn heats(&mut self) -> anyhow::Result<String> {
        self.before = self.stock_by_tank().await?;
        self.narrate
            .shows("count", &format!("{} straws hang in the tanks", self.before.values().sum::<i64>()));
        let seen = [
            (STOOD_FOR_SEXED, vec![101, 104, 105, 107, 111, 303]),
            (STOOD_FOR_CONVENTIONAL, vec![102, 103, 106, 109, 110, 301, 302]),
        ];
        for (hours_before, numbers) in seen {
            let standing_at = self.start.plus(TimeDelta::hours(-hours_before));
            let say: Vec<_> = numbers.iter().map(ToString::to_string).collect();
            let stood = technician::day_and_clock(standing_at, self.farm.meadow.zone);
            self.narrate.does(&format!("Mira reports {}, seen standing {stood}.", say.join(", ")));
            for number in numbers {
                let animal = self.farm.animal(number)?;
                let body =
                    json!({"animal_id": animal.id, "standing_at": standing_at, "technician": self.mira.name});
                let answer = self.mira.client.post("/v1/heats", &body).await?.must_be(201)?;
                self.narrate.warnings(&answer);
                let doubted = !answer.list("/warnings")?.is_empty();
                ensure!(
                    doubted == (number == 106),
                    "only the heat of 106, who is pregnant, deserves a warning"
                );
            }
        }
        Ok("every heat is on record, that of the pregnant cow with a warning".to_owned())
    }

    async fn next_services(&mut self) -> anyhow::Result<String> {
        let sexed = ["sexed_female"].as_slice();
        let conventional = ["conventional"].as_slice();
        for (number, service, types, permitted) in [
            (101, 1, sexed, true),
            (102, 2, conventional, true),
            (303, 2, sexed, true),
            (107, 1, sexed, true),
            (108, 4, conventional, false),
        ] {
            let animal = self.farm.animal(number)?;
            let next = self.mira.asks_for_next(animal, self.at(10)).await?;
            technician::report_next(self.narrate, self.farm, animal, &next)?;
            ensure!(next.number("/service_number")? == service, "{number}: expected service {service}");
            ensure!(*next.at("/semen_types")? == json!(types), "{number}: expected {types:?}");
            ensure!(next.body["permitted"] == permitted, "{number}: permitted should be {permitted}");
            let offered = next.list("/candidates")?;
            ensure!(!offered.is_empty(), "{number}: no straw was offered");
            for hanging in offered {
                let kind = hanging["semen_type"].as_str().unwrap_or_default();
                ensure!(types.contains(&kind), "{number}: offered a straw of type {kind}");
            }
        }
        Ok("number, rule, straw and place for each; the other herd has a rule of its own".to_owned())
    }

    async fn first_service(&mut self) -> anyhow::Result<String> {
        let heifer = self.farm.animal(101)?;
        let next = self.mira.asks_for_next(heifer, self.at(35)).await?;
        let offered = technician::first_offered(&next, "sexed_female")?;
        self.narrate.does(&format!(
            "Mira takes what was offered for 101: a {}.",
            technician::hanging(self.farm, offered)
        ));
        let lot = offered["lot"]["id"].as_str().unwrap_or_default();
        let mira = self.mira.clone();
        let advice = self.check_bath(&mira, lot, RIGHT_BATH).await?;
        ensure!(advice.text("/verdict")? == "right", "the bath should be right");
        let straw = self.withdraw(heifer, &json!({"lot_id": lot}), 40).await?.must_be(201)?;
        ensure!(straw.at("/place")? == &offered["place"], "the straw hangs elsewhere than was said");
        ensure!(straw.number("/service_number")? == 1, "expected her first service");
        let service = self.thaw_and_serve(heifer, &straw, RIGHT_BATH, 40).await?;
        no_deviations(&service)?;
        let (at, from, to) =
            (service.time("/served_at")?, next.time("/timing/earliest_at")?, next.time("/timing/latest_at")?);
        ensure!(from <= at && at <= to, "served outside the hours that were told");
        Ok("a sexed straw, from the place that was told, used in time".to_owned())
    }

    async fn repeat(&mut self) -> anyhow::Result<String> {
        let cow = self.farm.animal(102)?;
        let next = self.mira.asks_for_next(cow, self.at(55)).await?;
        let offered = technician::first_offered(&next, "conventional")?;
        let sire = offered["sire"]["name"].as_str().unwrap_or_default();
        self.narrate.does(&format!("Mira asks for {sire}, whichever of his straws is to be used first."));
        let selection = json!({"sire_id": offered["sire"]["id"]});
        let straw = self.withdraw(cow, &selection, 57).await?.must_be(201)?;
        ensure!(straw.text("/semen_type")? == "conventional", "expected a conventional straw");
        let service = self.thaw_and_serve(cow, &straw, RIGHT_BATH, 57).await?;
        ensure!(service.number("/service_number")? == 2, "expected her second service");
        no_deviations(&service)?;
        Ok("the sire alone was named, and the straw that the rule calls for was picked".to_owned())
    }

    async fn wrong_choice(&mut self) -> anyhow::Result<String> {
        let cow = self.farm.animal(110)?;
        self.narrate.does("Mira asks for a sexed straw of Made-up Cedar for 110, who was served before.");
        let selection = json!({"sire_id": self.sire(sire::CEDAR)?, "semen_type": "sexed_female"});
        let refusal = self.withdraw(cow, &selection, 70).await?.must_refuse(409, "choice-rule")?;
        ensure!(refusal.number("/service_number")? == 2, "the refusal should name service 2");
        ensure!(
            *refusal.at("/semen_types")? == json!(["conventional"]),
            "the refusal should say conventional"
        );
        let straw = self.take_instead(cow, &refusal, 72).await?;
        ensure!(straw.text("/semen_type")? == "conventional", "what was told instead is not conventional");
        let service = self.thaw_and_serve(cow, &straw, RIGHT_BATH, 72).await?;
        no_deviations(&service)?;
        Ok("refused with the rule and the nearest straw that she may have; that one was taken".to_owned())
    }

    async fn farmers_own(&mut self) -> anyhow::Result<String> {
        let cow = self.farm.animal(104)?;
        let lot = self.lot(straws::FARMERS_OWN)?.clone();
        self.narrate.does(&format!(
            "In Mira's tank hang straws that belong to the owner of {}. For 104, of {}, she asks for one of them.",
            self.farm.ridge.name, self.farm.meadow.name
        ));
        let refusal =
            self.withdraw(cow, &json!({"lot_id": lot}), 154).await?.must_refuse(409, "not-yours")?;
        let instead = refusal.list("/allowed")?;
        ensure!(instead.iter().all(|straw| straw["lot"]["id"] != json!(lot)), "it is offered all the same");
        Ok("another owner's straws are neither offered nor given".to_owned())
    }

    async fn override_of_the_rule(&mut self) -> anyhow::Result<String> {
        let cow = self.farm.animal(103)?;
        let selection = json!({"sire_id": self.sire(sire::PINE)?});
        self.narrate.does(
            "The owner wants a beef calf of 103: Mira asks for Made-up Pine, conventional, at service 1.",
        );
        self.withdraw(cow, &selection, 80).await?.must_refuse(409, "choice-rule")?;

        let reason = "Owner wants a beef calf of her; agreed by telephone.";
        let selection = json!({"sire_id": selection["sire_id"], "override": {"reason": reason}});
        self.narrate.does("Mira sets the rule aside herself.");
        self.withdraw(cow, &selection, 81).await?.must_refuse(403, "forbidden")?;

        self.narrate.does("The manager sets it aside, with the reason.");
        let manager = self.manager.clone();
        let straw = self.withdraw_by(&manager, cow, &selection, 84).await?.must_be(201)?;
        has_deviation(&straw, "choice_rule", Some(reason))?;
        let service = self.thaw_and_serve(cow, &straw, RIGHT_BATH, 84).await?;
        has_deviation(&self.on_record(&service).await?, "choice_rule", Some(reason))?;
        Ok("only the manager's key may; the deviation stays on the service, with its reason".to_owned())
    }

    async fn warm_bath(&mut self) -> anyhow::Result<String> {
        let cow = self.farm.animal(104)?;
        let next = self.mira.asks_for_next(cow, self.at(95)).await?;
        let offered = technician::first_offered(&next, "sexed_female")?;
        let lot = offered["lot"]["id"].as_str().unwrap_or_default();
        let mira = self.mira.clone();
        let advice = self.check_bath(&mira, lot, Bath { temp_c: 38.2 }).await?;
        ensure!(advice.text("/verdict")? == "too_hot", "38.2 C should be too hot");
        let millilitres = advice.number("/add_ml")?;
        ensure!(
            advice.text("/text")?.contains(&format!("{millilitres} ml")),
            "the advice should say how much"
        );
        ensure!(advice.list("/steps")?.len() == 2, "it should come in two steps");
        self.narrate
            .does("No straw was lifted yet. Mira mends the bath step by step, and measures after each.");
        let advice = self.check_bath(&mira, lot, RIGHT_BATH).await?;
        ensure!(advice.text("/verdict")? == "right", "the mended bath should be right");
        let straw = self.take_offered(cow, "sexed_female", 98).await?;
        let service = self.thaw_and_serve(cow, &straw, RIGHT_BATH, 98).await?;
        no_deviations(&service)?;
        Ok("told with millilitres and steps before a straw was lifted; lifted once the bath was right"
            .to_owned())
    }

    async fn late_use(&mut self) -> anyhow::Result<String> {
        let heifer = self.farm.animal(105)?;
        let straw = self.take_offered(heifer, "sexed_female", 115).await?;
        let thawing = self.thaw(heifer, &straw, RIGHT_BATH, 115).await?.must_be(200)?;
        self.narrate.does("She breaks loose; it takes a while to catch her, and she is served all the same.");
        let late = thawing.time("/use_by")?.plus(TimeDelta::minutes(7));
        let service = self.mira.serves(&straw, late).await?;
        technician::report_service(self.narrate, heifer, &service)?;
        has_deviation(&self.on_record(&service).await?, "after_use_by", None)?;
        Ok("what happened is kept, with how late it was".to_owned())
    }

    async fn pregnant(&mut self) -> anyhow::Result<String> {
        let cow = self.farm.animal(106)?;
        self.narrate.does("106 stood in heat, so Mira asks for a straw.");
        let selection = json!({"sire_id": self.sire(sire::CEDAR)?});
        let refusal = self.withdraw(cow, &selection, 130).await?.must_refuse(409, "animal-pregnant")?;
        ensure!(refusal.list("/allowed")?.is_empty(), "no other straw would make it right");
        Ok("refused: a service may end the pregnancy; she is to be checked again first".to_owned())
    }

    async fn own_daughter(&mut self) -> anyhow::Result<String> {
        let heifer = self.farm.animal(107)?;
        let alder = self.sire(sire::ALDER)?;
        self.narrate.does("Mira asks for a sexed straw of Made-up Alder for 107, whose sire he is.");
        let selection = json!({"sire_id": alder, "semen_type": "sexed_female"});
        let refusal = self.withdraw(heifer, &selection, 140).await?.must_refuse(409, "kinship")?;
        // Sire x daughter 0.25: Mrode 3e, ch. 2.
        ensure!(refusal.text("/detail")?.contains("25.0 %"), "a calf of sire and daughter is inbred by 25 %");
        let straw = self.take_instead(heifer, &refusal, 142).await?;
        ensure!(straw.text("/sire/id")? != alder, "her own sire was offered instead");
        let service = self.thaw_and_serve(heifer, &straw, RIGHT_BATH, 142).await?;
        no_deviations(&service)?;
        Ok("refused with the calf's expected inbreeding; another sire was offered and taken".to_owned())
    }

    async fn quarantine(&mut self) -> anyhow::Result<String> {
        let heifer = self.farm.animal(111)?;
        self.narrate.does("Mira asks for a lot that is in quarantine, for 111.");
        let selection = json!({"lot_id": self.lot(straws::QUARANTINED)?});
        let refusal = self.withdraw(heifer, &selection, 150).await?.must_refuse(409, "lot-not-usable")?;
        let straw = self.take_instead(heifer, &refusal, 152).await?;
        let service = self.thaw_and_serve(heifer, &straw, RIGHT_BATH, 152).await?;
        no_deviations(&service)?;
        Ok("refused, and another lot was offered and taken".to_owned())
    }

    async fn not_to_be_bred(&mut self) -> anyhow::Result<String> {
        let cow = self.farm.animal(108)?;
        self.narrate.does("Mira asks for a straw for 108, whom the owner wants to cull.");
        let selection = json!({"sire_id": self.sire(sire::CEDAR)?, "semen_type": "conventional"});
        self.withdraw(cow, &selection, 160).await?.must_refuse(409, "do-not-breed")?;
        Ok("refused: her owner decided so".to_owned())
    }

    async fn lost_answer(&mut self) -> anyhow::Result<String> {
        let cow = self.farm.animal(109)?;
        let next = self.mira.asks_for_next(cow, self.at(165)).await?;
        let offered = technician::first_offered(&next, "conventional")?;
        let lot = offered["lot"]["id"].as_str().unwrap_or_default();
        let before = self.straws_of(lot).await?;

        let key = new_idempotency_key();
        let body = self.mira.withdrawal(cow, &technician::just_that(offered), self.at(170));
        self.narrate.does("Mira takes a straw for 109; her telephone makes up a key and sends it along.");
        let first = self.mira.client.post_again("/v1/withdrawals", &body, &key).await?.must_be(201)?;
        technician::report_withdrawal(self.narrate, "told", self.farm, &first);
        self.took(&first)?;
        self.narrate
            .does("The answer never reached her, so the telephone sends the same again, with the same key.");
        let again = self.mira.client.post_again("/v1/withdrawals", &body, &key).await?.must_be(201)?;
        technician::report_withdrawal(self.narrate, "told", self.farm, &again);
        ensure!(again.replayed && !first.replayed, "the second answer should be marked Idempotent-Replayed");
        ensure!(again.body == first.body, "the second answer should be the first, word for word");
        let after = self.straws_of(lot).await?;
        self.narrate.shows("count", &format!("{before} straws of that lot before, {after} now"));
        ensure!(after == before - 1, "expected that one straw left the tank, not {}", before - after);
        let service = self.thaw_and_serve(cow, &first, RIGHT_BATH, 170).await?;
        ensure!(service.number("/service_number")? == 3, "expected her third service");
        Ok("the first answer came again, and one straw left the tank".to_owned())
    }

    async fn last_straw(&mut self) -> anyhow::Result<String> {
        let (one, other) = (self.farm.animal(301)?, self.farm.animal(302)?);
        let lot = self.lot(straws::LAST_STRAW)?;
        let selection = json!({"lot_id": lot});
        ensure!(self.straws_of(&lot).await? == 1, "the lot should have one straw left");
        self.narrate.does(
            "At Upper Ridge one straw of a lot is left. Mira wants it for 301 and Jon for 302, at once.",
        );
        let (mira, jon) = (self.mira.clone(), self.jon.clone());
        let mira_wants = mira.withdrawal(one, &selection, self.at(190));
        let jon_wants = jon.withdrawal(other, &selection, self.at(190));
        let (hers, his) = tokio::join!(
            mira.client.post("/v1/withdrawals", &mira_wants),
            jon.client.post("/v1/withdrawals", &jon_wants)
        );
        let (hers, his) = (hers?, his?);
        for (who, answer) in [(&mira, &hers), (&jon, &his)] {
            technician::report_withdrawal(self.narrate, who.name, self.farm, answer);
            self.took(answer)?;
        }
        let (first, second) = match (hers.status, his.status) {
            (201, _) => ((&mira, one, hers), (&jon, other, his)),
            (_, 201) => ((&jon, other, his), (&mira, one, hers)),
            _ => bail!("neither got the straw"),
        };
        let (winner, her_cow, straw) = first;
        let (loser, his_cow, refusal) = second;
        let refusal = refusal.must_refuse(409, "not-in-stock")?;
        ensure!(self.straws_of(&lot).await? == 0, "the lot should be used up");
        self.thaw_and_serve_by(winner, her_cow, &straw, RIGHT_BATH, 190).await?;

        let elsewhere = refusal.list("/elsewhere")?.first().context("where else they hang was not told")?;
        self.narrate.does(&format!(
            "{} takes the one that was named: a {}.",
            loser.name,
            technician::hanging(self.farm, elsewhere)
        ));
        self.narrate
            .does("Its supplier prints another bath on the goblet, and that goes before the default.");
        let warmer = Bath { temp_c: 37.1 };
        let advice =
            self.check_bath(loser, elsewhere["lot"]["id"].as_str().unwrap_or_default(), warmer).await?;
        ensure!(advice.text("/rule_set")? == "lot", "the supplier's instruction should go first");
        ensure!(
            advice.text("/verdict")? == "right",
            "the bath should be right by the supplier's instruction"
        );
        let selection = technician::just_that(elsewhere);
        let straw = self.withdraw_by(loser, his_cow, &selection, 194).await?.must_be(201)?;
        ensure!(
            *straw.at("/lot/id")? == self.lot(straws::SUPPLIERS_OWN)?,
            "expected the lot in the technician's tank"
        );
        let service = self.thaw_and_serve_by(loser, his_cow, &straw, warmer, 194).await?;
        no_deviations(&service)?;
        Ok("one got it, the other was told where else; the supplier's own thaw instruction counted"
            .to_owned())
    }

    async fn count(&mut self) -> anyhow::Result<String> {
        let now = self.stock_by_tank().await?;
        for tank in &self.farm.tanks {
            let of = |tanks: &BTreeMap<String, i64>| tanks.get(&tank.id).copied().unwrap_or_default();
            let (before, taken, left) = (of(&self.before), of(&self.taken), of(&now));
            let text = format!("{:<18} {before:>4} before, {taken:>2} taken, {left:>4} now", tank.name);
            self.narrate.shows("count", &text);
            ensure!(before - taken == left, "{}: {before} less {taken} is not {left}", tank.name);
        }
        let movements = self.mira.client.list("/v1/movements?limit=500").await?;
        let moved = |kind: &str| -> i64 {
            let of_kind = movements.iter().filter(|movement| movement["kind"] == kind);
            of_kind.filter_map(|movement| movement["straws"].as_i64()).sum()
        };
        let (delivered, withdrawn, left) = (moved("receipt"), moved("withdrawal"), now.values().sum::<i64>());
        self.narrate.shows("ledger", &format!("{delivered} delivered less {withdrawn} withdrawn is {left}"));
        ensure!(delivered == self.farm.straws && delivered - withdrawn == left, "the ledger says otherwise");
        let open = self.mira.client.list("/v1/withdrawals?unresolved=true").await?;
        ensure!(open.is_empty(), "{} straws are neither served nor discarded", open.len());
        Ok("what hangs now is what hung before less what was taken; no straw is unaccounted for".to_owned())
    }
}

fn no_deviations(service: &Answer) -> anyhow::Result<()> {
    ensure!(
        service.list("/deviations")?.is_empty(),
        "nothing was out of the ordinary, and yet a deviation stands there"
    );
    Ok(())
}

/// The one deviation that there must be.
fn has_deviation(of: &Answer, kind: &str, reason: Option<&str>) -> anyhow::Result<()> {
    let deviations = of.list("/deviations")?;
    let is_it = |deviation: &Value| deviation["kind"] == kind && deviation["reason"] == json!(reason);
    ensure!(
        deviations.len() == 1 && deviations.iter().all(is_it),
        "expected one deviation {kind}, found {deviations:?}"
    );
    Ok(())
}
