//! What is watched besides the straws: the nitrogen, a tank that fails, a bull of whom few straws are left; and a morning
//! without a signal that is sent in afterwards.

use std::time::Duration;

use anyhow::{Context as _, ensure};
use chrono::TimeDelta;
use serde_json::{Value, json};
use tokio::{net::TcpListener, sync::mpsc, time::timeout};
use uuid::Uuid;

use crate::{
    clock::Clock,
    demo::{
        client::new_idempotency_key,
        round::Round,
        technician::{self, RIGHT_BATH, TO_BATH},
    },
    webhooks::{listen, sign::Secret},
};

/// The heifer whom Mira serves where there is no signal.
const FAR_OFF: u32 = 303;

/// The minute of the round in which she is served.
const FAR_OFF_AT: i64 = 205;

/// How long a message may be on its way.
const TOLD_WITHIN: Duration = Duration::from_secs(30);

/// The office's receiver, and of which lot it is told.
pub(super) struct Office {
    heard: mpsc::UnboundedReceiver<Value>,
    lot: String,
}

impl Round<'_> {
    /// Weekly readings of the dairy room's tank: 2.8 mm a day, of which a rod shows whole millimetres.
    pub(super) async fn nitrogen(&mut self) -> anyhow::Result<String> {
        let tank = self.tank(0)?;
        self.narrate.does("Mira has read the dairy room's tank with the rod each week, this morning too.");
        let weekly = (0..=8)
            .map(|week| (56 - 7 * week, [418, 399, 378, 360, 339, 320, 301, 280, 262][usize_of(week)]));
        self.read(&tank, weekly).await?;
        let path = format!("/v1/tanks/{tank}/nitrogen");
        let told = self.mira.client.get(&path).await?.must_be(200)?;
        ensure!(told.text("/condition")? == "normal", "the tank should be normal: {}", told.text("/reason")?);
        let day = |pointer: &str| told.text(pointer).map(|at| at.split('T').next().unwrap_or(at).to_owned());
        let forecast = format!(
            "{:.0} mm stand in it. It reaches {} mm between {} and {}, most likely on {}: fill it by {}.",
            told.at("/level/depth_mm/estimate")?.as_f64().unwrap_or_default(),
            told.at("/min_depth_mm")?,
            day("/reaches_minimum/earliest")?,
            day("/reaches_minimum/latest")?,
            day("/reaches_minimum/estimate")?,
            day("/refill_by")?
        );
        self.narrate.say(&told, &forecast);
        let [earliest, estimate, latest] =
            ["earliest", "estimate", "latest"].map(|end| told.time(&format!("/reaches_minimum/{end}")));
        let (earliest, estimate, latest) = (earliest?, estimate?, latest?);
        ensure!(earliest < estimate && estimate < latest, "an interval should be in order");
        ensure!(told.time("/refill_by")? == earliest, "it is to be filled before the minimum may be reached");
        for theme in ["", "?theme=dark"] {
            self.mira.client.get(&format!("{path}.svg{theme}")).await?.must_be(200)?;
        }
        self.narrate.shows("picture", &format!("{path}.svg, or .png"));
        Ok("the next filling is told as an interval, with what it rests on, and drawn".to_owned())
    }

    /// The ridge's tank loses five times as much, and somebody sees frost on it.
    pub(super) async fn failing_tank(&mut self) -> anyhow::Result<String> {
        let tank = self.tank(1)?;
        self.narrate.does("The ridge's tank was read each week, and each day since it looked low.");
        let weekly =
            (0..=7).map(|week| (57 - 7 * week, [424, 404, 385, 365, 345, 326, 306, 287][usize_of(week)]));
        let daily = (1..=8).map(|day| (8 - day, 287 - 14 * day));
        self.read(&tank, weekly.chain(daily)).await?;
        let path = format!("/v1/tanks/{tank}/nitrogen");
        let told = self.mira.client.get(&path).await?.must_be(200)?;
        self.narrate.say(&told, told.text("/reason")?);
        ensure!(told.text("/condition")? == "failing", "five times the loss should be noticed");
        self.narrate.does("She looks at the neck, and there is frost.");
        // At this moment: the round may be a day old, and what was seen a day ago alerts nobody at once.
        let seen = json!({"frost": "frost"});
        self.mira.client.post(&format!("/v1/tanks/{tank}/nitrogen-readings"), &seen).await?.must_be(201)?;
        let open = self.mira.client.list("/v1/alerts?open=true").await?;
        let alert = open
            .iter()
            .find(|alert| alert["kind"] == "nitrogen.loss_high" && alert["tank_id"] == json!(tank));
        let alert = alert.context("no alert nitrogen.loss_high was opened")?;
        self.narrate
            .shows("alert", &format!("nitrogen.loss_high: {}", alert["text"].as_str().unwrap_or_default()));
        self.narrate.shows("advice", alert["advice"].as_str().unwrap_or_default());
        for caution in told.list("/cautions")?.iter().filter_map(Value::as_str) {
            self.narrate.caution(caution);
        }
        Ok("noticed from the readings, and an alert opened at once for the frost, while there is nitrogen left".to_owned())
    }

    /// A receiver on this machine, and a rule for a bull whose straws run low.
    pub(super) async fn office_listens(&mut self) -> anyhow::Result<String> {
        let heifer = self.farm.animal(FAR_OFF)?;
        let next = self.mira.asks_for_next(heifer, self.at(FAR_OFF_AT - 5)).await?;
        let offered = technician::first_offered(&next, "sexed_female")?;
        let lot = offered["lot"]["id"].as_str().context("a straw without a lot")?.to_owned();
        let left = self.straws_of(&lot).await?;

        let listener = TcpListener::bind("127.0.0.1:0").await?;
        let url = format!("http://{}/from-the-tank", listener.local_addr()?);
        self.narrate
            .does(&format!("The manager registers the office's receiver, {url}, for the alert stock.low."));
        let webhook = json!({"url": url, "events": ["stock.low"]});
        let made = self.manager.client.post("/v1/webhooks", &webhook).await?.must_be(201)?;
        let secret = Secret::parse(made.text("/secret")?).map_err(anyhow::Error::msg)?;
        self.narrate.say(&made, "The secret that signs is shown this once.");
        let (told, heard) = mpsc::unbounded_channel();
        let narrate = move |message| {
            let _ = told.send(message);
        };
        // Ends with the program.
        tokio::spawn(listen::listen(listener, vec![secret], Clock::system(), narrate));

        let rule = json!({"kind": "stock.low", "lot_id": lot, "below_straws": left});
        let made = self.manager.client.post("/v1/alert-rules", &rule).await?.must_be(201)?;
        self.narrate
            .say(&made, &format!("To be told when fewer than {left} straws of that lot hang in the tanks."));
        self.office = Some(Office { heard, lot });
        Ok("nothing is told yet: there are as many as there should be".to_owned())
    }

    /// Three acts of one straw, written down where they were done, sent in one request, and sent again.
    pub(super) async fn offline_batch(&mut self) -> anyhow::Result<String> {
        let heifer = self.farm.animal(FAR_OFF)?;
        let lot = self.office.as_ref().context("nobody listens")?.lot.clone();
        let lifted = self.at(FAR_OFF_AT);
        self.narrate.does(&format!(
            "At the far pasture there is no signal. Mira serves {FAR_OFF} with the straw that was offered before; her \
             telephone writes down what she does, each act with its key and time."
        ));
        let withdrawal = Uuid::now_v7();
        let kept = json!([
            {"idempotency_key": new_idempotency_key(), "step": "withdrawal", "id": withdrawal, "animal_id": heifer.id,
             "lot_id": lot, "withdrawn_at": lifted, "technician": self.mira.name},
            {"idempotency_key": new_idempotency_key(), "step": "thaw", "withdrawal_id": withdrawal,
             "bath_temp_c": RIGHT_BATH.temp_c, "started_at": lifted.plus(TO_BATH)},
            {"idempotency_key": new_idempotency_key(), "step": "service", "withdrawal_id": withdrawal,
             "served_at": lifted.plus(TimeDelta::minutes(3)), "technician": self.mira.name},
        ]);
        let path = "/v1/withdrawals/batch";
        let before = self.straws_of(&lot).await?;
        self.narrate.does("There is a signal again: all of it goes out in one request, and once more for want of an answer.");
        for replayed in [false, true] {
            let told = self.mira.client.post(path, &kept).await?.must_be(207)?;
            let results = told.list("/results")?;
            let statuses: Vec<_> = results.iter().map(|result| result["status"].to_string()).collect();
            self.narrate.say(
                &told,
                &format!("withdrawal {}, thaw {}, service {}", statuses[0], statuses[1], statuses[2]),
            );
            ensure!(statuses == ["201", "200", "201"], "each act should be taken");
            ensure!(
                results.iter().all(|result| result["replayed"] == replayed),
                "{} the answers should be those of the first time",
                if replayed { "all" } else { "none of" }
            );
            if !replayed {
                let from = results[0]["body"]["place"]["tank_id"].as_str().context("from nowhere")?;
                *self.taken.entry(from.to_owned()).or_default() += 1;
            }
        }
        ensure!(self.straws_of(&lot).await? == before - 1, "one straw should have left the tank");
        Ok("what was done without a signal is on record once, at the times at which it was done".to_owned())
    }

    /// What arrived at the office's receiver.
    pub(super) async fn office_is_told(&mut self) -> anyhow::Result<String> {
        let Office { heard, .. } = self.office.as_mut().context("nobody listens")?;
        let line = timeout(TOLD_WITHIN, heard.recv()).await.ok().flatten().context("nothing arrived")?;
        let message = &line["message"];
        self.narrate.shows(
            "arrived",
            &format!("{}, webhook-id {}", word(&message["type"]), word(&line["webhook_id"])),
        );
        self.narrate.shows("it says", word(&message["data"]["text"]));
        self.narrate
            .shows("signature", if line["genuine"] == true { "fits the secret" } else { "DOES NOT FIT" });
        ensure!(message["type"] == "stock.low", "expected stock.low");
        ensure!(line["genuine"] == true, "the signature should fit: {}", line["why"]);
        Ok("told once the last straw above the line was taken; the receiver knows that it is genuine"
            .to_owned())
    }

    /// Enters readings, each so many days before the round.
    async fn read(&self, tank: &str, readings: impl Iterator<Item = (i64, i64)>) -> anyhow::Result<()> {
        for (days_ago, depth_mm) in readings {
            let read_at = self.at(-30).plus(TimeDelta::days(-days_ago));
            let body = json!({"read_at": read_at, "depth_mm": depth_mm});
            let path = format!("/v1/tanks/{tank}/nitrogen-readings");
            self.mira.client.post(&path, &body).await?.must_be(201)?;
        }
        Ok(())
    }

    fn tank(&self, number: usize) -> anyhow::Result<String> {
        Ok(self.farm.tanks.get(number).context("the farm has no such tank")?.id.clone())
    }
}

fn usize_of(number: i64) -> usize {
    usize::try_from(number).unwrap_or(0)
}

fn word(value: &Value) -> &str {
    value.as_str().unwrap_or("-")
}
