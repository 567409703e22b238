//! `tankside demo`: an invented farm and one morning's round on it, through the real interface.
//!
//! It stands beside [`http`](crate::http) as a client of the service:
//!
//! - [`farm`], with [`straws`] and [`herd_book`]: the invented farm
//! - [`round`]: the morning round, step by step, each with what must come of it
//! - [`hand`]: what a technician does with one straw, and what she is told
//! - [`client`]: how the service is called
//! - [`narrate`]: how it is printed
//! - [`desk`]: what the operator does beside the service
//! - [`folder`]: where the farm is kept when nobody says where

mod client;
mod farm;
mod folder;
mod herd_book;
mod narration;
mod office;
mod round;
mod straws;
mod technician;

use crate::{
    clock::Clock,
    config::{Config, ListenAddress, Settings},
    domain::{
        access::Role,
        values::{Day, TimeZone, Timestamp},
    },
    server::{self, Running},
    telemetry,
};
use std::{
    net::{Ipv4Addr, SocketAddr, TcpListener},
    time::Instant,
};

use chrono::{NaiveTime, TimeDelta, TimeZone as _};
use client::Client;
use farm::Farm;
use folder::Folder;
use narration::Narrator;
use round::Round;
use technician::Technician;

/// Where the demo listens when nobody says where.
const USUAL: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(Ipv4Addr::LOCALHOST), 8080);

/// Any free port of this machine.
const FREE: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(Ipv4Addr::LOCALHOST), 0);

/// What the command line says of the demo.
#[derive(Clone, Debug, Default, clap::Args)]
pub struct Options {
    /// Address to listen on [default: 127.0.0.1:8080, or a free port when that is taken or with --exit]
    #[arg(long, value_name = "ADDRESS")]
    listen: Option<ListenAddress>,

    /// Where to keep the farm; must be a store without herds
    /// [default: a folder of its own that is removed at the end]
    // Not from the environment: that names the store of the real book.
    #[arg(long, value_name = "URL")]
    database_url: Option<String>,

    /// End after the round, with status 0 only if every step came out as told
    #[arg(long)]
    exit: bool,
}

/// Plays the demo until it is over or `stopped` says so; true when every step came out as told.
///
/// # Errors
/// The service cannot be started, or the farm not entered.
pub async fn run(options: &Options, stopped: impl Future<Output = ()>) -> anyhow::Result<bool> {
    // Declared before the service, so that it is removed after it.
    let folder = if options.database_url.is_some() { None } else { Some(Folder::fresh()?) };
    let (config, is_usual) = options.config(folder.as_ref())?;
    telemetry::start_log(&config.log, config.log_format, None)?;
    if folder.is_none() {
        office::must_be_empty(&config.database_url).await?;
    }
    let clock = Clock::system();
    let running = server::start(&config, clock.clone(), None).await?;

    let mut narrate = Narrator::new();
    greet(&narrate, running.address, is_usual);
    tokio::pin!(stopped);
    let played = tokio::select! {
        played = play(&mut narrate, &config, &running, &clock) => Some(played),
        () = &mut stopped => None,
    };
    if let Some(Ok(keys)) = &played
        && !options.exit
    {
        linger(&narrate, running.address, keys, folder.is_some());
        stopped.await;
    }
    if played.is_none() {
        // Nobody can say that every step came out as told.
        narrate.heading("Stopped before the round was over.");
    }
    let ended = running.stop().await;
    let as_planned = played.transpose()?.is_some_and(|played| played.as_planned);
    ended?;
    Ok(as_planned)
}

/// How the round came out, and the keys with which one may go on.
struct Played {
    as_planned: bool,
    manager: String,
    technician: String,
}

impl Options {
    /// The settings of the service, and whether it listens where one would look for it.
    fn config(&self, folder: Option<&Folder>) -> anyhow::Result<(Config, bool)> {
        let free = if !self.exit && TcpListener::bind(USUAL).is_ok() { USUAL } else { FREE };
        let database_url = match (&self.database_url, folder) {
            (Some(url), _) => url.clone(),
            (None, folder) => folder.map(Folder::database_url).unwrap_or_default(),
        };
        let is_usual = self.listen.is_some() || self.exit || free == USUAL;
        let mut config = Settings::on(free, database_url).resolve()?;
        // Only warnings: what the service does is told by the round.
        "warn".clone_into(&mut config.log);
        // The office's receiver listens on this machine.
        config.webhook_allow = vec![USUAL.ip().into()];
        if let Some(listen) = &self.listen {
            config.listen = listen.clone();
        }
        Ok((config, is_usual))
    }
}

fn greet(narrate: &Narrator, address: SocketAddr, is_usual: bool) {
    narrate
        .line("Tankside demo: one morning's round on an invented farm. No herd, animal or sire here exists.");
    if !is_usual {
        narrate.line(&format!("{USUAL} is taken, so a free port is used."));
    }
    narrate.line(&format!("The service listens on http://{address}"));
}

/// Enters the farm, plays the round, and checks the books.
async fn play(
    narrate: &mut Narrator,
    config: &Config,
    running: &Running,
    clock: &Clock,
) -> anyhow::Result<Played> {
    let url = &config.database_url;
    let service = format!("http://{}", running.address);
    let manager = match &running.first_key {
        Some(first) => first.reveal().to_owned(),
        None => office::make_key(url, "Demo manager", Role::Manager, clock.now()).await?.reveal().to_owned(),
    };
    let mira = office::make_key(url, "Mira (technician)", Role::Technician, clock.now()).await?;
    let jon = office::make_key(url, "Jon (technician)", Role::Technician, clock.now()).await?;
    let hand = |name, key| Client::new(&service, key).map(|client| Technician { name, client });
    let hands = [hand("The manager", &manager)?, hand("Mira", mira.reveal())?, hand("Jon", jon.reveal())?];

    let started = Instant::now();
    let morning = last_morning(clock.now());
    let farm = farm::enter(&hands[0].client, morning).await?;
    narrate.line(&entered(&farm, started));

    Round::new(&farm, narrate, hands, morning).play().await;
    narrate.step("The books are checked");
    narrate.does(
        "The operator has every balance recomputed from the movements, and every rule looked at again.",
    );
    let checked = office::check_books(url).await;
    narrate.came_out(checked);
    let as_planned = narrate.sum_up();
    Ok(Played { as_planned, manager, technician: mira.reveal().to_owned() })
}

fn entered(farm: &Farm, started: Instant) -> String {
    format!(
        "Entered in {:.1} s: 2 herds, {} tanks, {} sires, {} lots with {} straws, {} animals with {} events.",
        started.elapsed().as_secs_f64(),
        farm.tanks.len(),
        farm.sires.len(),
        farm.lots.len(),
        farm.straws,
        farm.animal_count(),
        farm.events
    )
}

/// Six o'clock, at Lower Meadow, of the last morning whose round is over by `now`: all that the
/// round tells has happened already, so nothing need be waited for.
fn last_morning(now: Timestamp) -> Timestamp {
    let today = now.day_in(TimeZone(farm::MEADOW_ZONE));
    let this_morning = six_o_clock(today);
    if now.since(this_morning) >= round::LENGTH { this_morning } else { six_o_clock(today.plus_days(-1)) }
}

fn six_o_clock(day: Day) -> Timestamp {
    let six = day.0.and_time(NaiveTime::MIN) + TimeDelta::hours(6);
    // The clocks never change at six; if they did, an hour more or less would do no harm.
    let local = farm::MEADOW_ZONE.from_local_datetime(&six).earliest();
    local.map_or_else(|| six.and_utc(), |local| local.to_utc()).into()
}

/// Says how to go on while the service keeps running.
fn linger(narrate: &Narrator, address: SocketAddr, keys: &Played, is_temporary: bool) {
    narrate.heading(&format!("The service keeps running on http://{address}"));
    narrate.line(&format!("The page at the tank:  http://{address}/   (sign in with the technician's key)"));
    narrate.line(&format!("Its description:   http://{address}/docs"));
    narrate.line(&format!("Manager's key:     {}", keys.manager));
    narrate.line(&format!("Technician's key:  {}", keys.technician));
    narrate.line("To look around from another window, or to run the scripts in demo/:");
    narrate.line(&format!("  export TANKSIDE_URL=http://{address}"));
    narrate.line(&format!("  export TANKSIDE_KEY={}", keys.manager));
    narrate.line("  curl -H \"Authorization: Bearer $TANKSIDE_KEY\" $TANKSIDE_URL/v1/stock");
    narrate.line(if is_temporary {
        "Ctrl-C ends it; the farm is removed then."
    } else {
        "Ctrl-C ends it; the farm stays in the store."
    });
}

#[cfg(test)]
mod tests {
    use chrono::Timelike as _;

    use super::*;

    #[test]
    fn the_round_is_always_over_and_never_more_than_a_day_old() {
        // Also on the days on which the clocks change.
        let first = chrono::Utc.with_ymd_and_hms(2026, 1, 1, 0, 0, 0).unwrap();
        for half_hours in 0..365 * 48 {
            let now = Timestamp::from(first + TimeDelta::minutes(30 * half_hours));
            let morning = last_morning(now);
            let ago = now.since(morning);
            assert!(ago >= round::LENGTH && ago <= round::LENGTH + TimeDelta::hours(25), "{now}: {ago}");
            let local = morning.utc().with_timezone(&farm::MEADOW_ZONE);
            assert_eq!((local.hour(), local.minute()), (6, 0), "{now}");
        }
    }
}
