//! What the operator decides: flags over environment over a TOML file over defaults.

mod every;
mod listen;
mod told;

use std::{
    net::{Ipv4Addr, SocketAddr},
    num::NonZeroU32,
    path::{Path, PathBuf},
    time::Duration,
};

use anyhow::Context as _;
use axum::http::HeaderValue;
use serde::Deserialize;
use url::Url;

use crate::{
    domain::{backups::Keep, webhooks::address::Range},
    http::{serve::Limits, tls::TlsFiles},
    scheduler::backups::Plan,
    store::Kind,
    telemetry, traces,
};

pub use every::Every;
pub use listen::ListenAddress;
pub use told::{Origin, Setting, names_in};

/// Where the service listens when nothing is said: this machine only.
const LISTEN: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(Ipv4Addr::LOCALHOST), 8080);

/// Where the book is kept when nothing is said.
const DATABASE_URL: &str = "sqlite://tankside.db";

/// Requests a minute and key when nothing is said: far above any farm's work, below a script gone wild.
const RATE_LIMIT: u32 = 120_000;

/// Requests a minute and address without a good key when nothing is said: more than one mistyped key on a farm causes.
const FAILURES: u32 = 60;

/// Connections at once when nothing is said: within the thousand files that a process usually may open.
const CONNECTIONS: usize = 750;

/// Seconds in which a request's header must be there when nothing is said.
const HEADER_SECONDS: u64 = 10;

/// Seconds in which a client must take something of its answer.
const STALLED_SECONDS: u64 = 30;

/// Seconds that requests under way have when the service is told to stop, when nothing is said: within the 30 that
/// orchestrators give.
const STOP_SECONDS: u64 = 20;

/// Of copies made by themselves, so many of the newest are kept when nothing is said.
const BACKUP_KEEP: NonZeroU32 = NonZeroU32::MIN.saturating_add(23);

/// And the last of each day for so many days.
const BACKUP_KEEP_DAYS: u32 = 30;

/// Where traces are sent, as OpenTelemetry names it for every program.
const OTLP_ENDPOINT: &str = "OTEL_EXPORTER_OTLP_ENDPOINT";

/// How log lines are written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "lowercase")]
pub enum LogFormat {
    /// For people.
    #[default]
    Human,
    /// One JSON object a line.
    Json,
}

/// The settings, or what they rest on, are wrong.
#[derive(Debug, thiserror::Error)]
#[error("{0:#}")]
pub struct BadSettings(anyhow::Error);

/// Settings of every command that works in a store, as they may be given by flag or environment.
#[derive(Clone, Default, clap::Args)]
pub struct StoreSettings {
    /// A TOML file with settings, named as the flags of `serve` with underscores
    #[arg(long, env = "TANKSIDE_CONFIG", value_name = "FILE")]
    config: Option<PathBuf>,

    /// Where the book is kept: `sqlite://FILE` or `postgres://USER@HOST/DATABASE`. A password belongs into the
    /// environment or a file, not into a flag, which everybody on the machine can see [default: `sqlite://tankside.db`]
    #[arg(long, env = "TANKSIDE_DATABASE_URL", value_name = "URL", hide_env_values = true)]
    database_url: Option<String>,

    /// A file with the password for the database, in place of one in its address
    #[arg(long, env = "TANKSIDE_DATABASE_PASSWORD_FILE", value_name = "FILE")]
    database_password_file: Option<PathBuf>,
}

/// Settings of the service, as they may be given by flag, environment or file.
#[derive(Clone, Default, Deserialize, clap::Args)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    #[command(flatten)]
    #[serde(skip)]
    store: StoreSettings,

    /// Where the book is kept, as a file says it.
    #[arg(skip)]
    database_url: Option<String>,

    /// The file with its password, as a file says it.
    #[arg(skip)]
    database_password_file: Option<PathBuf>,

    /// Where to listen: an address or a name, and a port; port 0 takes a free one [default: 127.0.0.1:8080]
    #[arg(long, env = "TANKSIDE_LISTEN", value_name = "ADDRESS")]
    listen: Option<ListenAddress>,

    /// How often a copy of an embedded store is made by itself, such as 15m, 6h or 1d; with --backup-folder. Each is looked
    /// through before it gets its name [default: never]
    #[arg(long, env = "TANKSIDE_BACKUP_EVERY", value_name = "TIME")]
    backup_every: Option<Every>,

    /// The folder for these copies, on another disk if it can be; made for its owner only [default: none]
    #[arg(long, env = "TANKSIDE_BACKUP_FOLDER", value_name = "FOLDER")]
    backup_folder: Option<PathBuf>,

    /// How many of the newest of these copies are kept [default: 24]
    #[arg(long, env = "TANKSIDE_BACKUP_KEEP", value_name = "NUMBER")]
    backup_keep: Option<NonZeroU32>,

    /// For how many days the last copy of each day is kept besides; 0 for none [default: 30]
    #[arg(long, env = "TANKSIDE_BACKUP_KEEP_DAYS", value_name = "DAYS")]
    backup_keep_days: Option<u32>,

    /// Where the first manager's key of a new book is written, for its owner only, in place of showing it on standard
    /// output, which container engines keep
    #[arg(long, env = "TANKSIDE_FIRST_KEY_FILE", value_name = "FILE")]
    first_key_file: Option<PathBuf>,

    /// Requests that a key may send in a minute; 0 for as many as it likes [default: 120000]
    #[arg(long, env = "TANKSIDE_RATE_LIMIT_PER_MINUTE", value_name = "NUMBER")]
    rate_limit_per_minute: Option<u32>,

    /// Requests that may come from an address in a minute without a good key, and from all together a hundred times as many; 0 for
    /// as many as they like [default: 60]
    #[arg(long, env = "TANKSIDE_FAILURES_PER_MINUTE", value_name = "NUMBER")]
    failures_per_minute: Option<u32>,

    /// Where /metrics is told, in plain HTTP and without a key: an address or a name, and a port; port 0 takes a free one.
    /// Not for the public: give an address of this machine or of a network of the operator's own [default: nowhere]
    #[arg(long, env = "TANKSIDE_METRICS_LISTEN", value_name = "ADDRESS")]
    metrics_listen: Option<ListenAddress>,

    /// Names with a dot under which /metrics answers, such as metrics.example.org; under addresses and names without a
    /// dot it always does [default: none]
    #[arg(
        long = "metrics-host",
        env = "TANKSIDE_METRICS_HOSTS",
        value_name = "NAMES",
        value_delimiter = ','
    )]
    metrics_hosts: Option<Vec<String>>,

    /// Connections at once; one more is answered 503 and closed [default: 750]
    #[arg(long, env = "TANKSIDE_MAX_CONNECTIONS", value_name = "NUMBER")]
    max_connections: Option<NonZeroU32>,

    /// Seconds in which the header of a request must be there, from the connection or the last answer on; then the
    /// connection is closed [default: 10]
    #[arg(long, env = "TANKSIDE_HEADER_SECONDS", value_name = "SECONDS")]
    header_seconds: Option<NonZeroU32>,

    /// Seconds that requests under way have to end when the service is told to stop [default: 20]
    #[arg(long, env = "TANKSIDE_STOP_SECONDS", value_name = "SECONDS")]
    stop_seconds: Option<u32>,

    /// Ranges of addresses outside the public internet to which webhooks may be sent, also by plain http, such as
    /// 192.168.10.0/24,127.0.0.1 [default: none]
    #[arg(long, env = "TANKSIDE_WEBHOOK_ALLOW", value_name = "RANGES", value_delimiter = ',')]
    webhook_allow: Option<Vec<Range>>,

    /// A file with the key under which webhooks' secrets are encrypted in the store: base64 of 32 random bytes. More lines
    /// hold earlier keys, which only decrypt. Keep it where backups are not [default: none, they are kept in the clear]
    #[arg(long, env = "TANKSIDE_SECRETS_KEY_FILE", value_name = "FILE")]
    secrets_key_file: Option<PathBuf>,

    /// A certificate for TLS, with those between it and its authority after it (PEM); with --tls-key. It is read again when it
    /// changes, and on SIGHUP [default: none, plain HTTP]
    #[arg(long, env = "TANKSIDE_TLS_CERT", value_name = "FILE")]
    tls_cert: Option<PathBuf>,

    /// The certificate's private key (PEM); with --tls-cert [default: none]
    #[arg(long, env = "TANKSIDE_TLS_KEY", value_name = "FILE")]
    tls_key: Option<PathBuf>,

    /// Sites whose pages may ask this service from a browser, such as `https://herd.example`; may be repeated. The page of
    /// this service needs none [default: none]
    #[arg(long = "cors-origin", env = "TANKSIDE_CORS_ORIGIN", value_name = "ORIGIN", value_delimiter = ',')]
    cors_origin: Option<Vec<String>>,

    /// What is logged, as tracing filters: error, warn, info, debug, or module=level,... [default: info]
    #[arg(long, env = "TANKSIDE_LOG", value_name = "FILTER")]
    log: Option<String>,

    /// How log lines are written [default: human]
    #[arg(long, env = "TANKSIDE_LOG_FORMAT", value_name = "FORMAT")]
    log_format: Option<LogFormat>,

    /// The address of a collector to which traces are sent by OTLP/HTTP in JSON, such as `http://localhost:4318`, or else what
    /// the environment's `OTEL_EXPORTER_OTLP_ENDPOINT` says [default: none]
    #[arg(long, env = "TANKSIDE_OTLP_ENDPOINT", value_name = "URL", hide_env_values = true)]
    otlp_endpoint: Option<String>,
}

/// The settings in force.
#[derive(Clone)]
pub struct Config {
    /// The file that settings were read from.
    pub file: Option<PathBuf>,
    /// Where to listen.
    pub listen: ListenAddress,
    /// Where the book is kept; may hold a password.
    pub database_url: String,
    /// The file that the password was read from.
    pub database_password_file: Option<PathBuf>,
    /// Where the first manager's key of a new book is written.
    pub first_key_file: Option<PathBuf>,
    /// Copies that are made by themselves.
    pub backups: Option<Plan>,
    /// Requests that a key may send in a minute.
    pub rate_limit_per_minute: Option<NonZeroU32>,
    /// Requests that may come from an address in a minute without a good key.
    pub failures_per_minute: Option<NonZeroU32>,
    /// Where `/metrics` is told; nowhere when `None`.
    pub metrics_listen: Option<ListenAddress>,
    /// Names under which `/metrics` answers besides those that lead to no other place.
    pub metrics_hosts: Vec<String>,
    /// What connections may take.
    pub limits: Limits,
    /// Where webhooks may lead besides the public internet.
    pub webhook_allow: Vec<Range>,
    /// The file with the key under which webhooks' secrets are encrypted.
    pub secrets_key_file: Option<PathBuf>,
    /// The certificate and its key, where it speaks TLS.
    pub tls: Option<TlsFiles>,
    /// Sites whose pages may ask from a browser.
    pub cors_origins: Vec<HeaderValue>,
    /// What is logged.
    pub log: String,
    /// How it is written.
    pub log_format: LogFormat,
    /// Where traces are sent; may hold a password.
    pub otlp_endpoint: Option<Url>,
}

impl StoreSettings {
    /// The address of the store: what was given by flag or environment, else by the file, else the default.
    ///
    /// # Errors
    /// The file cannot be read, or holds something that is not a setting; or the password is not to be had.
    pub fn resolve(self) -> Result<String, BadSettings> {
        Ok(Settings { store: self, ..Settings::default() }.resolve()?.database_url)
    }
}

impl Settings {
    /// The settings in force: what was given by flag or environment, else by the file, else the default.
    ///
    /// # Errors
    /// The file cannot be read, or holds something that is not a setting; or a setting is wrong.
    pub fn resolve(self) -> Result<Config, BadSettings> {
        self.resolved().map_err(BadSettings)
    }

    fn resolved(self) -> anyhow::Result<Config> {
        let StoreSettings { config: path, database_url, database_password_file } = self.store;
        let file = path.as_deref().map_or_else(|| Ok(Self::default()), Self::read)?;
        let database_url = database_url.or(file.database_url).unwrap_or_else(|| DATABASE_URL.to_owned());
        let database_password_file = database_password_file.or(file.database_password_file);
        let database_url = match &database_password_file {
            None => database_url,
            Some(path) => with_password(&database_url, path)?,
        };
        let backups = backups(
            &database_url,
            self.backup_every.or(file.backup_every),
            self.backup_folder.or(file.backup_folder),
            Keep {
                newest: self.backup_keep.or(file.backup_keep).unwrap_or(BACKUP_KEEP),
                days: self.backup_keep_days.or(file.backup_keep_days).unwrap_or(BACKUP_KEEP_DAYS),
            },
        )?;
        let log = self.log.or(file.log).unwrap_or_else(|| "info".to_owned());
        telemetry::filter(&log)?;
        Ok(Config {
            file: path,
            listen: self.listen.or(file.listen).unwrap_or_else(|| LISTEN.into()),
            database_url,
            database_password_file,
            backups,
            first_key_file: self.first_key_file.or(file.first_key_file),
            rate_limit_per_minute: NonZeroU32::new(
                self.rate_limit_per_minute.or(file.rate_limit_per_minute).unwrap_or(RATE_LIMIT),
            ),
            failures_per_minute: NonZeroU32::new(
                self.failures_per_minute.or(file.failures_per_minute).unwrap_or(FAILURES),
            ),
            metrics_listen: self.metrics_listen.or(file.metrics_listen),
            metrics_hosts: self.metrics_hosts.or(file.metrics_hosts).unwrap_or_default(),
            limits: Limits {
                connections: self
                    .max_connections
                    .or(file.max_connections)
                    .map_or(CONNECTIONS, |most| usize::try_from(most.get()).unwrap_or(usize::MAX)),
                header: self
                    .header_seconds
                    .or(file.header_seconds)
                    .map_or(Duration::from_secs(HEADER_SECONDS), |seconds| {
                        Duration::from_secs(seconds.get().into())
                    }),
                stalled: Duration::from_secs(STALLED_SECONDS),
                drain: self
                    .stop_seconds
                    .or(file.stop_seconds)
                    .map_or(Duration::from_secs(STOP_SECONDS), |seconds| Duration::from_secs(seconds.into())),
            },
            webhook_allow: self.webhook_allow.or(file.webhook_allow).unwrap_or_default(),
            secrets_key_file: self.secrets_key_file.or(file.secrets_key_file),
            tls: tls(self.tls_cert.or(file.tls_cert), self.tls_key.or(file.tls_key))?,
            cors_origins: self
                .cors_origin
                .or(file.cors_origin)
                .unwrap_or_default()
                .iter()
                .map(|text| origin(text))
                .collect::<anyhow::Result<_>>()?,
            log,
            log_format: self.log_format.or(file.log_format).unwrap_or_default(),
            otlp_endpoint: self
                .otlp_endpoint
                .or(file.otlp_endpoint)
                .or_else(|| std::env::var(OTLP_ENDPOINT).ok())
                .filter(|endpoint| !endpoint.is_empty())
                .map(|endpoint| traces::endpoint_of(&endpoint))
                .transpose()?,
        })
    }

    /// Settings as a file has them.
    fn read(path: &Path) -> anyhow::Result<Self> {
        let text = std::fs::read_to_string(path)
            .with_context(|| format!("the configuration file {} cannot be read", path.display()))?;
        toml::from_str(&text).map_err(|error| {
            let wrong = without_values(&error, &text);
            anyhow::anyhow!("the configuration file {} is wrong: {wrong}", path.display())
        })
    }

    /// Only where the book is kept, for a service that is started by the program itself.
    pub fn on(listen: SocketAddr, database_url: String) -> Self {
        let store = StoreSettings { database_url: Some(database_url), ..StoreSettings::default() };
        Self { store, listen: Some(listen.into()), ..Self::default() }
    }
}

/// Copies are made by themselves of an embedded store only.
fn backups(
    database_url: &str,
    every: Option<Every>,
    folder: Option<PathBuf>,
    keep: Keep,
) -> anyhow::Result<Option<Plan>> {
    let plan = match (every, folder) {
        (None, None) => return Ok(None),
        (Some(every), Some(folder)) => Plan { folder, every: every.duration(), keep },
        (Some(_), None) => anyhow::bail!("--backup-every goes with --backup-folder"),
        (None, Some(_)) => anyhow::bail!("--backup-folder goes with --backup-every"),
    };
    if Kind::of(database_url).ok() == Some(Kind::Postgres) {
        anyhow::bail!(
            "--backup-every is for an embedded store; PostgreSQL's own tools copy a book there (pg_dump, pg_basebackup)"
        );
    }
    Ok(Some(plan))
}

/// A certificate goes with its key.
fn tls(certificate: Option<PathBuf>, key: Option<PathBuf>) -> anyhow::Result<Option<TlsFiles>> {
    match (certificate, key) {
        (None, None) => Ok(None),
        (Some(certificate), Some(key)) => Ok(Some(TlsFiles { certificate, key })),
        (Some(_), None) => anyhow::bail!("--tls-cert goes with --tls-key"),
        (None, Some(_)) => anyhow::bail!("--tls-key goes with --tls-cert"),
    }
}

/// A site as browsers name it (RFC 6454): scheme, host, and the port where it is not the usual one.
fn origin(text: &str) -> anyhow::Result<HeaderValue> {
    let url = Url::parse(text).ok().filter(|url| matches!(url.scheme(), "http" | "https"));
    let named = url.map(|url| url.origin().ascii_serialization()).filter(|named| named == text);
    let named = named.with_context(|| {
        format!("{text} is no site as browsers name it: scheme, host and port, such as https://herd.example")
    })?;
    Ok(HeaderValue::try_from(named)?)
}

/// What is wrong with a file, and in which line, without what stands in it: that may be a password.
fn without_values(error: &toml::de::Error, text: &str) -> String {
    let line =
        error.span().and_then(|span| text.get(..span.start)).map(|before| before.matches('\n').count() + 1);
    let line = line.map_or_else(String::new, |line| format!("line {line}: "));
    let told = error.message();
    if told.starts_with("unknown field") {
        return format!("{line}{told}");
    }
    // "invalid type: string "...", expected ..." and the like quote the value before they say what is expected.
    let (front, expected) =
        told.rsplit_once(", expected ").map_or((told, None), |(front, e)| (front, Some(e)));
    let quote = ['"', '`', '\''];
    let front = match (front.find(quote), front.rfind(quote)) {
        (Some(first), Some(last)) => format!("{}...{}", &front[..first], &front[last + 1..]),
        _ => front.to_owned(),
    };
    format!("{line}{front}{}", expected.map_or_else(String::new, |expected| format!(", expected {expected}")))
}

/// The address of a PostgreSQL server with the password that stands in a file.
fn with_password(address: &str, file: &Path) -> anyhow::Result<String> {
    let password = std::fs::read_to_string(file).with_context(|| {
        format!("the file with the database's password {} cannot be read", file.display())
    })?;
    // What the parser says of an address holds parts of it.
    let mut url = Url::parse(address).map_err(|_| anyhow::anyhow!("the database's address is not a URL"))?;
    if !url.scheme().starts_with("postgres") || url.password().is_some() {
        anyhow::bail!(
            "a file with a password goes with an address postgres://USER@HOST/DATABASE without one"
        );
    }
    url.set_password(Some(password.trim_end_matches(['\r', '\n'])))
        .map_err(|()| anyhow::anyhow!("the database's address cannot hold a password"))?;
    Ok(url.into())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn from(file: &Path) -> Settings {
        let store = StoreSettings { config: Some(file.to_owned()), ..StoreSettings::default() };
        Settings { store, ..Settings::default() }
    }

    fn on(url: &str) -> Settings {
        Settings::on(LISTEN, url.to_owned())
    }

    #[test]
    fn what_is_given_goes_before_the_file_and_the_file_before_the_default() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("tankside.toml");
        std::fs::write(
            &file,
            "listen = \"127.0.0.1:7000\"\nlog_format = \"json\"\nwebhook_allow = [\"10.0.0.0/8\"]\n",
        )
        .unwrap();
        let given = Settings { listen: Some("localhost:6000".parse().unwrap()), ..from(&file) };
        let config = given.resolve().unwrap();
        assert_eq!(config.listen.to_string(), "localhost:6000");
        assert_eq!(config.log_format, LogFormat::Json);
        assert_eq!(config.webhook_allow, ["10.0.0.0/8".parse().unwrap()]);
        assert_eq!(config.database_url, DATABASE_URL);
        assert_eq!(Settings::default().resolve().unwrap().listen, LISTEN.into());
    }

    #[test]
    fn a_certificate_goes_with_its_key_and_a_site_is_named_as_browsers_name_it() {
        let with = |cert: Option<&str>, key: Option<&str>| {
            let (tls_cert, tls_key) = (cert.map(PathBuf::from), key.map(PathBuf::from));
            Settings { tls_cert, tls_key, ..Settings::default() }.resolve().map(|config| config.tls)
        };
        assert_eq!(with(None, None).unwrap(), None);
        assert_eq!(with(Some("a"), Some("b")).unwrap().unwrap().key, Path::new("b"));
        assert!(with(Some("a"), None).is_err() && with(None, Some("b")).is_err());
        for right in ["https://herd.example", "http://192.168.10.5:3000", "https://[fd00::1]"] {
            assert_eq!(origin(right).unwrap(), right);
        }
        for wrong in [
            "*",
            "null",
            "herd.example",
            "https://herd.example/",
            "https://Herd.example",
            "https://h.example:443",
            "file:///x",
        ] {
            assert!(origin(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn copies_are_made_of_an_embedded_store_into_a_folder() {
        let with = |every: Option<&str>, folder: Option<&str>, url: &str| {
            let backup_every = every.map(|every| every.parse().unwrap());
            Settings { backup_every, backup_folder: folder.map(PathBuf::from), ..on(url) }.resolve()
        };
        let plan = with(Some("6h"), Some("copies"), DATABASE_URL).unwrap().backups.unwrap();
        assert_eq!((plan.every, plan.keep.newest.get(), plan.keep.days), (Duration::from_hours(6), 24, 30));
        assert_eq!(with(None, None, DATABASE_URL).unwrap().backups, None);
        for (every, folder, url) in [
            (Some("6h"), None, DATABASE_URL),
            (None, Some("copies"), DATABASE_URL),
            (Some("6h"), Some("copies"), "postgres://u@h/d"),
        ] {
            assert!(with(every, folder, url).is_err(), "{every:?} {folder:?} {url}");
        }
    }

    #[test]
    fn an_unknown_setting_is_refused_and_a_password_is_not_shown() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("tankside.toml");
        std::fs::write(&file, "listn = \"127.0.0.1:7000\"\n").unwrap();
        assert!(from(&file).resolve().is_err());
        std::fs::write(&file, "webhook_allow = [\"10.0.0.0/33\"]\n").unwrap();
        assert!(from(&file).resolve().is_err());
        assert!(from(&dir.path().join("none.toml")).resolve().is_err());
        let config = on("postgres://u:whispered@h/d?password=whispered").resolve().unwrap();
        let told = format!("{config:?}");
        assert!(told.contains("postgres://u@h/d") && !told.contains("whispered"), "{told}");
    }

    #[test]
    fn a_fault_in_the_file_does_not_tell_what_stands_in_it() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("tankside.toml");
        let url = "postgres://u:secret@h/d";
        for (text, line) in [
            (format!("\n\nlog_format = \"json\"\ndatabase_url = {url}\n"), "line 4"),
            (format!("database_url = [\"{url}\"]\n"), "line 1"),
            (format!("database_url = \"{url}\n"), "line 1"),
            (format!("database_url = \"{url}\" x\n"), "line 1"),
            (format!("\nrate_limit_per_minute = \"{url}\"\n"), "line 2"),
            (format!("listen = \"{url}\"\n"), "line 1"),
            (format!("log_format = \"{url}\"\n"), "line 1"),
        ] {
            std::fs::write(&file, &text).unwrap();
            let told = format!("{:#}", from(&file).resolve().unwrap_err());
            assert!(!told.contains("secret") && told.contains(line), "{told}");
        }
    }

    #[test]
    fn a_filter_of_the_log_that_is_none_is_told() {
        let with = |log: &str| Settings { log: Some(log.to_owned()), ..Settings::default() }.resolve();
        for right in
            ["warn", "OFF", "info,tankside=debug", "tower_http::trace=trace", "tankside[request]=debug"]
        {
            assert!(with(right).is_ok(), "{right}");
        }
        for wrong in ["loud", "info,loud", "tankside=loud", "", "info,,warn", "tankside"] {
            let told = with(wrong).unwrap_err().to_string();
            assert!(told.contains("off, error, warn, info, debug or trace"), "{wrong}: {told}");
        }
    }

    #[test]
    fn the_password_may_stand_in_a_file_of_its_own() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("password");
        std::fs::write(&file, "a/b@c:d\n").unwrap();
        let with = |url: &str| {
            let mut store = on(url).store;
            store.database_password_file = Some(file.clone());
            store.resolve()
        };
        let url = with("postgres://tankside@db:5432/tankside").unwrap();
        assert_eq!(url, "postgres://tankside:a%2Fb%40c%3Ad@db:5432/tankside");
        assert!(with("postgres://u:other@db/d").is_err());
        assert!(with("sqlite://tankside.db").is_err());
    }
}
