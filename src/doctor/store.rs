//! The store, its clock and its disk.

use chrono::{DateTime, TimeDelta};

use crate::{
    config::Config,
    doctor::{Findings, State},
    domain::{duration::words, values::Timestamp},
    store::{
        CHECKED_AT_MOST, Db, Error, Kind, LEAST_ROOM, Room, beside,
        condition::{self, Condition},
        folder_of, newest, sqlite_file,
    },
};

/// With less room than this many bytes there will soon be none. Our rule.
const LITTLE_ROOM: u64 = 256 << 20;

/// How far a server's clock may be from ours before it is told, and before it is wrong. Our rule: the service says so of a
/// client's clock from five minutes on.
const APART: TimeDelta = TimeDelta::seconds(5);
const FAR_APART: TimeDelta = TimeDelta::minutes(5);

/// After so long without a line, either nothing was done or the clock leapt ahead; the book believes no greater leap at once.
const LONG_QUIET: TimeDelta = TimeDelta::days(31);

/// The first day of 2026, in seconds since 1970: a clock that says less was never set.
const NEVER_SET_BEFORE_S: i64 = 1_767_225_600;

pub(super) async fn look(found: &mut Findings, config: &Config, now: Timestamp) {
    if DateTime::from_timestamp(NEVER_SET_BEFORE_S, 0).is_some_and(|first| now.utc() < first) {
        found.wrong("clock", format!("it says {now}"), "set the clock of this machine (timedatectl)");
    }
    let size = room(found, config);
    match look_into(config, size).await {
        Ok((version, condition)) => {
            tables(found, version, &condition);
            clock(found, &condition, now);
        }
        Err(Error::Absent(told)) => {
            found.look("store", told, "start the service, if the address of the store is right");
        }
        Err(Error::Database(error)) => {
            found.wrong(
                "store",
                error.to_string(),
                "see to the database; `tankside verify` looks through it",
            );
        }
        Err(error) => found.wrong("store", error.to_string(), "the service cannot work so"),
    }
}

/// Opens the store for looking; its size is that of an embedded one.
async fn look_into(config: &Config, size: u64) -> Result<(i64, Condition), Error> {
    let (db, version) = Db::look(&config.database_url).await?;
    let looked = async {
        let condition = condition::of(&mut db.read().await?, size <= CHECKED_AT_MOST).await?;
        if let Some(damage) = &condition.damage {
            return Err(Error::Damaged(damage.clone()));
        }
        if condition.is_read_only || (db.is_embedded() && db.room().await? == Room::ReadOnly) {
            return Err(Error::Unusable(
                "it can only be read: a disk that is mounted so, or a standby server".to_owned(),
            ));
        }
        Ok((version, condition))
    };
    let looked = looked.await;
    db.close().await;
    looked
}

fn tables(found: &mut Findings, version: i64, condition: &Condition) {
    let newest = newest();
    if version < newest {
        found.look(
            "store",
            format!("tables of version {version}; this program writes {newest}"),
            "make a backup; the next start of the service brings them up to date",
        );
    } else {
        found.ok("store", format!("readable, tables of version {version}, {}", condition.engine));
    }
    for setting in &condition.unsafe_settings {
        found.wrong(
            "store",
            format!("the server runs with {setting} off: a crash of the machine can lose or damage the book"),
            format!("set {setting} = on in postgresql.conf"),
        );
    }
}

fn clock(found: &mut Findings, condition: &Condition, now: Timestamp) {
    if let Some(theirs) = condition.server_clock {
        // Asked a moment after ours.
        let apart = theirs.since(now).abs();
        let told = format!("this machine and the database server are {} apart", words(apart));
        let advice = "let both machines keep time by the network (timedatectl set-ntp true)";
        if apart > FAR_APART {
            found.wrong("clock", told, advice);
        } else if apart > APART {
            found.look("clock", told, advice);
        }
    }
    let Some(last) = condition.last_recorded_at else {
        return found.ok("clock", format!("{now}; nothing is on record yet"));
    };
    let since = now.since(last);
    if since < -FAR_APART {
        found.wrong(
            "clock",
            format!("it is {} behind what was recorded last ({last})", words(since)),
            "set the clock of this machine; if it is right, it was ahead before, and the time of recording stands still \
             until then",
        );
    } else if since < -APART {
        found.look(
            "clock",
            format!("it is {} behind what was recorded last ({last})", words(since)),
            "see that the machine keeps time by the network (timedatectl)",
        );
    } else if since > LONG_QUIET {
        found.look(
            "clock",
            format!("the last thing on record is {} old ({last})", words(since)),
            "right if nothing was done since; else the clock of this machine is ahead",
        );
    } else {
        found.ok("clock", format!("{now}, after what was recorded last ({last})"));
    }
}

/// Room on the disk of an embedded store; gives the store's size in bytes.
fn room(found: &mut Findings, config: &Config) -> u64 {
    if Kind::of(&config.database_url).ok() != Some(Kind::Sqlite) {
        return 0;
    }
    let Ok(file) = sqlite_file(&config.database_url) else { return 0 };
    let folder = folder_of(&file);
    let size_of = |ending| std::fs::metadata(beside(&file, ending)).map_or(0, |found| found.len());
    let size = size_of("");
    let disk = match rustix::fs::statvfs(folder) {
        Ok(disk) => disk,
        Err(error) => {
            found.wrong(
                "disk",
                format!("the folder {} cannot be looked at: {error}", folder.display()),
                "make the folder, or correct --database-url",
            );
            return size;
        }
    };
    let free = disk.f_bavail.saturating_mul(disk.f_frsize);
    let told = format!("{} free in {}, the store has {}", bytes(free), folder.display(), bytes(size));
    match enough(free, size + size_of("-wal")) {
        State::Wrong => found.wrong("disk", told, "make room; nothing can be written"),
        State::Look => found.look("disk", told, "make room: a backup beside the store may not fit"),
        State::Ok => found.ok("disk", told),
    }
    size
}

/// Whether so many free bytes are enough beside a store of that size.
fn enough(free: u64, store: u64) -> State {
    if free < LEAST_ROOM {
        State::Wrong
    } else if free < LITTLE_ROOM || free < store {
        State::Look
    } else {
        State::Ok
    }
}

/// A number of bytes in its fitting unit (IEC 80000-13).
fn bytes(count: u64) -> String {
    const UNITS: [&str; 4] = ["KiB", "MiB", "GiB", "TiB"];
    let mut rest = count;
    let mut unit = "B";
    for next in UNITS {
        if rest < 10 << 10 {
            break;
        }
        (rest, unit) = (rest >> 10, next);
    }
    format!("{rest} {unit}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn condition(server_s: Option<i64>, last_s: Option<i64>) -> Condition {
        let at = |seconds: i64| Timestamp::from(DateTime::UNIX_EPOCH).plus(TimeDelta::seconds(seconds));
        Condition {
            engine: "SQLite 3".to_owned(),
            server_clock: server_s.map(at),
            last_recorded_at: last_s.map(at),
            is_read_only: false,
            unsafe_settings: Vec::new(),
            damage: None,
        }
    }

    #[test]
    fn a_clock_that_jumped_is_told() {
        let now = 2_000_000_000;
        let worst = |server: Option<i64>, last: Option<i64>| {
            let mut found = Findings::default();
            let at = Timestamp::from(DateTime::UNIX_EPOCH).plus(TimeDelta::seconds(now));
            clock(&mut found, &condition(server, last), at);
            found.0.iter().map(|finding| finding.state).max().unwrap()
        };
        assert_eq!(worst(None, None), State::Ok);
        assert_eq!(worst(Some(now + 1), Some(now - 60)), State::Ok);
        assert_eq!(worst(Some(now - 60), Some(now)), State::Look);
        assert_eq!(worst(Some(now + 3600), Some(now)), State::Wrong);
        assert_eq!(worst(None, Some(now + 60)), State::Look);
        assert_eq!(worst(None, Some(now + 3600)), State::Wrong);
        assert_eq!(worst(None, Some(now - 40 * 86_400)), State::Look);
    }

    #[test]
    fn a_disk_that_is_nearly_full_is_told() {
        const MEBIBYTE: u64 = 1 << 20;
        for (free, store, state) in [
            (MEBIBYTE - 1, 0, State::Wrong),
            (MEBIBYTE, 0, State::Look),
            (300 * MEBIBYTE, 200 * MEBIBYTE, State::Ok),
            (300 * MEBIBYTE, 301 * MEBIBYTE, State::Look),
        ] {
            assert_eq!(enough(free, store), state, "{free} beside {store}");
        }
    }

    #[test]
    fn bytes_have_their_fitting_unit() {
        for (count, told) in [(0, "0 B"), (10_239, "10239 B"), (10_240, "10 KiB"), (3 << 33, "24 GiB")] {
            assert_eq!(bytes(count), told);
        }
    }
}
