//! `tankside doctor`: looks at everything around the service that an operator can put right, and says what to do. Changes nothing,
//! and may be done while the service runs.

mod address;
mod backups;
mod certificate;
mod files;
mod secrets;
mod store;

use serde::Serialize;

use crate::{
    config::{BadSettings, Config, Origin, Setting},
    domain::values::Timestamp,
};

/// How something is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// In order.
    Ok,
    /// To be looked at: it may be meant so.
    Look,
    /// Wrong: something does not work, or will not, or is open to others.
    Wrong,
}

impl State {
    /// As it is shown.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Ok => "OK",
            Self::Look => "LOOK",
            Self::Wrong => "WRONG",
        }
    }
}

/// One thing that was looked at.
#[derive(Clone, Debug, Serialize)]
pub struct Finding {
    /// How it is.
    pub state: State,
    /// What was looked at.
    pub subject: &'static str,
    /// What was found.
    pub text: String,
    /// What to do; nothing where all is in order.
    pub advice: Option<String>,
}

/// All that was looked at.
#[derive(Clone, Debug, Serialize)]
pub struct Report {
    /// The worst of the findings.
    pub state: State,
    /// The settings in force, each with where it came from.
    pub settings: Vec<Setting>,
    /// Each thing.
    pub findings: Vec<Finding>,
}

/// What was found so far.
#[derive(Default)]
struct Findings(Vec<Finding>);

impl Findings {
    fn ok(&mut self, subject: &'static str, text: impl Into<String>) {
        self.0.push(Finding { state: State::Ok, subject, text: text.into(), advice: None });
    }

    fn look(&mut self, subject: &'static str, text: impl Into<String>, advice: impl Into<String>) {
        self.0.push(Finding { state: State::Look, subject, text: text.into(), advice: Some(advice.into()) });
    }

    fn wrong(&mut self, subject: &'static str, text: impl Into<String>, advice: impl Into<String>) {
        self.0.push(Finding { state: State::Wrong, subject, text: text.into(), advice: Some(advice.into()) });
    }
}

/// Looks at everything. `origin_of` tells where a setting came from, `unknown` what stands in the environment that looks like a
/// setting and is none.
pub async fn look(
    version: &str,
    config: Result<Config, BadSettings>,
    origin_of: impl Fn(&str) -> Origin,
    unknown: Vec<String>,
    now: Timestamp,
) -> Report {
    let mut found = Findings::default();
    let mut settings = Vec::new();
    found.ok("program", format!("tankside {version}"));
    match &config {
        Ok(config) => {
            let told = config.told().into_iter();
            settings = told.map(|(name, value)| Setting { name, value, from: origin_of(name) }).collect();
            let given = settings.iter().filter(|setting| setting.from != Origin::Default).count();
            found.ok("settings", format!("{given} given, {} by default", settings.len() - given));
        }
        Err(error) => {
            found.wrong("settings", error.to_string(), "put it right; the service does not start so");
        }
    }
    for unknown in unknown {
        found.look("settings", unknown, "put it right, or take it out of the environment");
    }
    if let Ok(config) = &config {
        store::look(&mut found, config, now).await;
        files::look(&mut found, config, origin_of("database_url"));
        secrets::look(&mut found, config).await;
        backups::look(&mut found, config, now);
        certificate::look(&mut found, config, now);
        address::look(&mut found, config).await;
    }
    let state = found.0.iter().map(|finding| finding.state).max().unwrap_or(State::Ok);
    Report { state, settings, findings: found.0 }
}
