//! The settings in force as they may be shown to anybody: without passwords, and each with where it came from.

use std::{fmt, path::Path};

use serde::Serialize;
use url::Url;

use crate::config::{Config, Every, LogFormat};

/// Where a setting came from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// The command line.
    Flag,
    /// An environment variable.
    Environment,
    /// The configuration file.
    File,
    /// Nobody said anything.
    Default,
}

impl fmt::Display for Origin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Flag => "flag",
            Self::Environment => "environment",
            Self::File => "file",
            Self::Default => "default",
        })
    }
}

/// A setting in force.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Setting {
    /// As a configuration file names it.
    pub name: &'static str,
    /// Its value, without a password.
    pub value: String,
    /// Where it came from.
    pub from: Origin,
}

impl Config {
    /// Every setting by the name that a file gives it, with its value, which holds no password.
    pub fn told(&self) -> Vec<(&'static str, String)> {
        let path = |path: Option<&Path>| path.map_or_else(none, |path| path.display().to_string());
        let number = |most: Option<std::num::NonZeroU32>| {
            most.map_or_else(|| "no limit".to_owned(), |most| most.to_string())
        };
        let limits = &self.limits;
        let backups = self.backups.as_ref();
        vec![
            ("listen", self.listen.to_string()),
            ("database_url", without_password(&self.database_url)),
            ("database_password_file", path(self.database_password_file.as_deref())),
            (
                "backup_every",
                backups.map_or_else(|| "never".to_owned(), |plan| Every::from(plan.every).to_string()),
            ),
            ("backup_folder", path(backups.map(|plan| &*plan.folder))),
            ("backup_keep", backups.map_or_else(none, |plan| plan.keep.newest.to_string())),
            ("backup_keep_days", backups.map_or_else(none, |plan| plan.keep.days.to_string())),
            ("first_key_file", path(self.first_key_file.as_deref())),
            ("rate_limit_per_minute", number(self.rate_limit_per_minute)),
            ("failures_per_minute", number(self.failures_per_minute)),
            (
                "metrics_listen",
                self.metrics_listen.as_ref().map_or_else(|| "nowhere".to_owned(), ToString::to_string),
            ),
            ("metrics_hosts", listed(&self.metrics_hosts)),
            ("max_connections", limits.connections.to_string()),
            ("header_seconds", limits.header.as_secs().to_string()),
            ("stop_seconds", limits.drain.as_secs().to_string()),
            ("webhook_allow", listed(&self.webhook_allow)),
            ("secrets_key_file", path(self.secrets_key_file.as_deref())),
            ("tls_cert", path(self.tls.as_ref().map(|tls| &*tls.certificate))),
            ("tls_key", path(self.tls.as_ref().map(|tls| &*tls.key))),
            ("cors_origin", listed(self.cors_origins.iter().filter_map(|origin| origin.to_str().ok()))),
            ("log", self.log.clone()),
            (
                "log_format",
                match self.log_format {
                    LogFormat::Human => "human",
                    LogFormat::Json => "json",
                }
                .to_owned(),
            ),
            (
                "otlp_endpoint",
                self.otlp_endpoint.as_ref().map_or_else(none, |url| without_password(url.as_str())),
            ),
        ]
    }
}

impl fmt::Debug for Config {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_map().entries(self.told()).finish()
    }
}

fn none() -> String {
    "none".to_owned()
}

fn listed<T: ToString>(values: impl IntoIterator<Item = T>) -> String {
    let values: Vec<_> = values.into_iter().map(|value| value.to_string()).collect();
    if values.is_empty() { none() } else { values.join(",") }
}

/// An address of a store without what may hold a password.
pub fn without_password(address: &str) -> String {
    if address.starts_with("sqlite:") {
        return address.to_owned();
    }
    let Ok(mut url) = Url::parse(address) else { return "(not shown)".to_owned() };
    url.set_query(None);
    if url.set_password(None).is_err() { "(not shown)".to_owned() } else { url.into() }
}

/// The names of the settings in a configuration file; none when it cannot be read.
pub fn names_in(file: &Path) -> Vec<String> {
    let table = std::fs::read_to_string(file).ok().and_then(|text| text.parse::<toml::Table>().ok());
    table.map_or_else(Vec::new, |table| table.keys().cloned().collect())
}
