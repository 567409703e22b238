//! The command line.

#![forbid(unsafe_code)]

mod cli;
mod import_export;

use std::{
    io::IsTerminal as _,
    net::{IpAddr, Ipv4Addr, SocketAddr},
    path::{Path, PathBuf},
    process::ExitCode,
    time::Duration,
};
use tankside::{
    book::{CommandError, access::key},
    certificate,
    clock::Clock,
    config::{BadSettings, Settings, StoreSettings},
    cryptography,
    domain::{
        access::{Role, key::NewKey},
        now::Now,
        values::{BusinessId, HerdId, KeyId, Name, TankId, Timestamp},
        webhooks::webhook::{HerdIds, TankIds},
    },
    http::{self, problem::Problem},
    maintenance as keeping,
    store::{self, Db},
    webhooks::{self, sign::Secret},
};

#[cfg(feature = "demo")]
use tankside::demo;

use anyhow::{Context as _, bail};
use clap::{CommandFactory as _, FromArgMatches as _, Parser, Subcommand};
use cli::{environment, manual, status};

/// The version, and what it was built from where that is known (build.rs).
const VERSION: &str = concat!(env!("CARGO_PKG_VERSION"), env!("BUILT_FROM"));

/// The book of record for a cattle inseminator's liquid-nitrogen tank.
#[derive(Parser)]
#[command(name = "tankside", version = VERSION, max_term_width = 100, after_help = status::TOLD)]
struct Cli {
    #[command(subcommand)]
    command: Verb,
}

#[derive(Subcommand)]
enum Verb {
    /// Serve the book over HTTP
    ///
    /// A new store is set up by itself. When the service is ready it prints one line of JSON on
    /// standard output with its address and, for a new store, the first manager's key, which is
    /// shown only this once (or written to --first-key-file). The log goes to standard error.
    Serve {
        #[command(flatten)]
        settings: Settings,
    },
    /// Play a morning's round on an invented farm, then keep serving it
    ///
    /// Starts the service on a new store, enters a farm of two herds, and goes through a morning's
    /// round over HTTP: each step with what the technician is told, and whether it came out as it must.
    #[cfg(feature = "demo")]
    Demo {
        #[command(flatten)]
        options: demo::Options,
    },
    /// Make, list and revoke keys; may be done while the service runs
    Key {
        #[command(subcommand)]
        command: KeyVerb,
    },
    /// Make and list businesses, each with a book of its own
    Business {
        #[command(subcommand)]
        command: BusinessVerb,
    },
    /// Check that the book adds up: every balance recomputed from the movements, every rule looked at again
    ///
    /// Only reads, and may be done while the service runs. Status 0 when everything adds up.
    Verify {
        #[command(flatten)]
        settings: StoreSettings,
    },
    /// Take in what was kept elsewhere, from CSV files: all of a file or nothing
    Import {
        #[command(subcommand)]
        command: import_export::ImportCommand,
    },
    /// Take out a whole list as CSV or NDJSON; may be done while the service runs
    Export {
        #[command(flatten)]
        options: import_export::ExportOptions,
    },
    /// Copy an embedded store to a new file, while the service runs
    ///
    /// The copy is of one moment, synced to disk and checked as by `verify` before it gets its name; nothing
    /// is overwritten. For a store on PostgreSQL it names the tools to use. Status 0 when a sound copy was made.
    Backup {
        /// Where to; must not exist
        #[arg(value_name = "FILE")]
        file: PathBuf,
        #[command(flatten)]
        settings: StoreSettings,
    },
    /// Bring a backup back as an embedded store, where there is none
    ///
    /// Checks the backup, copies it to where --database-url says, and checks the copy. An older backup is brought
    /// up to date when it is next served. Run it as the account that runs the service.
    Restore {
        /// The backup
        #[arg(value_name = "FILE")]
        file: PathBuf,
        #[command(flatten)]
        settings: StoreSettings,
    },
    /// Receive webhooks to try them out: print what arrives and whether it is genuine
    ///
    /// Prints one line of JSON with its address, then one for each message. Answers 204 to what is
    /// genuine and 401 to what is forged. The service sends to this machine only when it is allowed
    /// to: `tankside serve --webhook-allow 127.0.0.1`.
    Listen {
        /// The port to listen on, on this machine only; 0 takes a free one
        #[arg(long, default_value_t = 0)]
        port: u16,
        /// A secret that messages are signed with, as it was shown; may be given twice while one
        /// replaces the other. Without one nothing can be verified, and everything is taken
        #[arg(
            long,
            env = "TANKSIDE_LISTEN_SECRET",
            value_name = "whsec_...",
            value_delimiter = ',',
            hide_env_values = true
        )]
        secret: Vec<String>,
    },
    /// Print the OpenAPI description
    Openapi,
    /// Look at everything around the service that can be put right, and say what to do
    ///
    /// Settings and where each came from, the store, the clock, room on the disk, who may read what, the certificate, the
    /// address. Changes nothing; give it the same flags, environment and file as the service, beside which it may run.
    /// Each line begins with OK, LOOK (it may be meant so) or WRONG. Status 1 when something is wrong.
    Doctor {
        /// Tell it as JSON
        #[arg(long)]
        json: bool,
        #[command(flatten)]
        settings: Settings,
    },
    /// Print completions for a shell
    ///
    /// For bash: `tankside completions bash > ~/.local/share/bash-completion/completions/tankside`
    Completions {
        /// For which
        shell: manual::Shell,
    },
    /// Write the pages for man into a folder
    Man {
        /// Where to
        #[arg(value_name = "FOLDER")]
        folder: PathBuf,
    },
    /// Make certificates for a farm's own network
    Certificate {
        #[command(subcommand)]
        command: CertificateVerb,
    },
    /// Ask a running service whether it is ready; status 0 if so
    Health {
        /// Where it is
        #[arg(
            long,
            env = "TANKSIDE_HEALTH_URL",
            default_value = "http://127.0.0.1:8080",
            value_name = "URL"
        )]
        url: String,
        /// The authority that vouches for its certificate (PEM), where that is the farm's own
        #[arg(long, env = "TANKSIDE_HEALTH_AUTHORITY", value_name = "FILE")]
        authority: Option<PathBuf>,
    },
}

#[derive(Subcommand)]
#[expect(clippy::large_enum_variant, reason = "one is made, when the program starts")]
enum KeyVerb {
    /// Make a key and print it, this once
    Create {
        /// Who will hold it
        #[arg(long)]
        name: String,
        /// What its holder may do: reader, technician, integration, manager
        #[arg(long)]
        role: String,
        /// Whose book it opens; may be left out when there is one business only
        #[arg(long, value_name = "ID")]
        business: Option<uuid::Uuid>,
        /// Until when it is good, such as 2027-01-01T00:00:00Z; without end when left out
        #[arg(long, value_name = "TIME")]
        expires_at: Option<String>,
        /// Only for this herd, its tanks and those of no herd, by its id; may be repeated. Not with the role manager
        #[arg(long = "herd", value_name = "ID")]
        herds: Vec<uuid::Uuid>,
        /// Only for this tank, by its id; may be repeated. Not with the role manager
        #[arg(long = "tank", value_name = "ID")]
        tanks: Vec<uuid::Uuid>,
        /// Show a QR code, too, by which a phone opens the page with the key
        #[arg(long)]
        qr: bool,
        /// With --qr: where the phone reaches the service
        #[arg(long, requires = "qr", default_value = "http://127.0.0.1:8080", value_name = "URL")]
        url: url::Url,
        /// Set up the store if there is none; else a store that is not there is taken for a mistyped address
        #[arg(long)]
        new_store: bool,
        #[command(flatten)]
        settings: StoreSettings,
    },
    /// List the keys, without their secrets
    List {
        #[command(flatten)]
        settings: StoreSettings,
    },
    /// Revoke a key; its next request is refused
    Revoke {
        /// The key's id, as listed
        id: uuid::Uuid,
        #[command(flatten)]
        settings: StoreSettings,
    },
}

#[derive(Subcommand)]
enum CertificateVerb {
    /// Make a certificate, and the first time the authority that vouches for it
    ///
    /// Browsers keep the page for when there is no signal only where it came over TLS. The authority is put on each phone
    /// once; making the certificate anew keeps it. It can vouch for these names and for private networks only. All
    /// files are for their owner alone.
    New {
        /// A name under which the service is reached, such as barn.local; may be repeated
        #[arg(long, required_unless_present = "ip", value_name = "NAME")]
        name: Vec<String>,
        /// An address under which it is reached, such as 192.168.10.5; may be repeated
        #[arg(long, value_name = "ADDRESS")]
        ip: Vec<IpAddr>,
        /// Where the files are
        #[arg(long, default_value = "tankside-tls", value_name = "FOLDER")]
        folder: PathBuf,
    },
}

#[derive(Subcommand)]
enum BusinessVerb {
    /// Enter a business and print its id and its first manager's key, this once
    Create {
        /// What people call it
        #[arg(long)]
        name: String,
        /// For trials: a manager may empty its book with DELETE /v1/business/book
        #[arg(long)]
        test: bool,
        #[command(flatten)]
        settings: StoreSettings,
    },
    /// Give a business another name
    Rename {
        /// Which, as listed
        id: uuid::Uuid,
        /// What people call it
        #[arg(long)]
        name: String,
        #[command(flatten)]
        settings: StoreSettings,
    },
    /// List the businesses
    List {
        #[command(flatten)]
        settings: StoreSettings,
    },
}

#[tokio::main]
async fn main() -> ExitCode {
    cryptography::use_everywhere();
    let mut program = Cli::command();
    let unknown = environment::unknown(&program);
    let given = program.get_matches_mut();
    let cli = Cli::from_arg_matches(&given).unwrap_or_else(|error| error.format(&mut program).exit());
    match run(cli, &given, unknown).await {
        Ok(code) => code,
        Err(error) => {
            eprintln!("tankside: {}", cli::in_words(&error));
            if error.is::<BadSettings>() { ExitCode::from(status::USAGE) } else { ExitCode::FAILURE }
        }
    }
}

async fn run(cli: Cli, given: &clap::ArgMatches, unknown: Vec<String>) -> anyhow::Result<ExitCode> {
    // The service tells it in its log, the doctor among what it found.
    if !matches!(cli.command, Verb::Serve { .. } | Verb::Doctor { .. }) {
        for unknown in &unknown {
            eprintln!("tankside: {unknown}");
        }
    }
    match cli.command {
        Verb::Serve { settings } => cli::serve::run(settings, &unknown).await,
        #[cfg(feature = "demo")]
        Verb::Demo { options } => play_demo(&options).await,
        Verb::Key { command } => match command {
            KeyVerb::Create {
                name: holder,
                role,
                business,
                expires_at,
                herds,
                tanks,
                qr,
                url,
                new_store,
                settings,
            } => {
                let book = settings.resolve()?;
                let new = NewKey {
                    name: name(&holder)?,
                    role: Role::parse(&role).map_err(|wrong| anyhow::anyhow!("the role {wrong}"))?,
                    expires_at: expires_at.as_deref().map(end).transpose()?,
                    herd_ids: (!herds.is_empty()).then(|| HerdIds(herds.into_iter().map(HerdId).collect())),
                    tank_ids: (!tanks.is_empty()).then(|| TankIds(tanks.into_iter().map(TankId).collect())),
                };
                let db = if new_store { Db::open(&book).await } else { Db::open_existing(&book).await };
                let secret = create_key(db?, &new, business).await?;
                if qr {
                    show_link(&url, secret.reveal())?;
                }
                Ok(ExitCode::SUCCESS)
            }
            KeyVerb::List { settings } => list_keys(&settings.resolve()?).await,
            KeyVerb::Revoke { id, settings } => revoke_key(&settings.resolve()?, KeyId(id)).await,
        },
        Verb::Business { command } => match command {
            BusinessVerb::Create { name, test, settings } => {
                create_business(&settings.resolve()?, &name, test).await
            }
            BusinessVerb::Rename { id, name, settings } => {
                rename_business(&settings.resolve()?, BusinessId(id), &name).await
            }
            BusinessVerb::List { settings } => list_businesses(&settings.resolve()?).await,
        },
        Verb::Verify { settings } => keeping::verify(&settings.resolve()?).await,
        Verb::Backup { file, settings } => keeping::backup(&settings.resolve()?, &file).await,
        Verb::Restore { file, settings } => keeping::restore(&file, &settings.resolve()?).await,
        Verb::Import { command } => import_export::import(command).await,
        Verb::Export { options } => import_export::export(options).await,
        Verb::Listen { port, secret } => listen(port, &secret).await,
        Verb::Openapi => {
            print!("{}", http::docs::openapi_json()?);
            Ok(ExitCode::SUCCESS)
        }
        Verb::Doctor { json, settings } => {
            let given = given.subcommand_matches("doctor").unwrap_or(given);
            cli::doctor::run(settings, given, unknown, json).await
        }
        Verb::Completions { shell } => Ok(manual::completions(Cli::command(), shell)),
        Verb::Man { folder } => manual::pages(Cli::command(), &folder),
        Verb::Health { url, authority } => health(&url, authority.as_deref()).await,
        Verb::Certificate { command } => match command {
            CertificateVerb::New { name, ip, folder } => new_certificate(&name, &ip, &folder),
        },
    }
}

fn new_certificate(names: &[String], ips: &[IpAddr], folder: &Path) -> anyhow::Result<ExitCode> {
    let made = certificate::make(folder, names, ips, Clock::system().now().utc())?;
    let (files, until) = (&made.files, made.good_until.date_naive());
    println!(
        "{}: good until {until}; make it anew before, into the same folder",
        files.certificate.display()
    );
    println!(
        "tankside serve --listen 0.0.0.0:8443 --tls-cert {} --tls-key {}",
        files.certificate.display(),
        files.key.display()
    );
    if made.is_new_authority {
        println!("{}: put this on each phone, once. {ON_PHONES}", files.authority.display());
        println!(
            "{}: keep it to yourself; who has it can pass for this service",
            files.authority_key.display()
        );
    } else {
        println!("{}: as before; phones that have it need nothing", files.authority.display());
    }
    println!("SHA-256 of the authority: {}", made.fingerprint);
    Ok(ExitCode::SUCCESS)
}

/// How an authority is put on a phone.
const ON_PHONES: &str = "Send the file to it and open it there. Android: Settings, Security, More, Install a certificate, CA \
    certificate. iPhone: install the profile in Settings, then Settings, General, About, Certificate Trust Settings, switch it \
    on. Compare the SHA-256 with the one below";

#[cfg(feature = "demo")]
async fn play_demo(options: &demo::Options) -> anyhow::Result<ExitCode> {
    use tokio::signal::unix::{SignalKind, signal};

    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    let stopped = async {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
    };
    let as_planned = demo::run(options, stopped).await?;
    Ok(if as_planned { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

/// A name from the command line.
fn name(text: &str) -> anyhow::Result<Name> {
    Name::parse(text).map_err(|wrong| anyhow::anyhow!("the name {wrong}"))
}

/// The end of a key from the command line.
fn end(text: &str) -> anyhow::Result<Timestamp> {
    let at = chrono::DateTime::parse_from_rfc3339(text)
        .context("the end must be a date and time with an offset, such as 2027-01-01T00:00:00Z")?;
    Ok(Timestamp::from(at.to_utc()))
}

async fn create_key(db: Db, new: &NewKey, business: Option<uuid::Uuid>) -> anyhow::Result<key::Secret> {
    let mut tx = db.write().await?;
    let businesses = store::access::business::all(&mut tx).await?;
    let business = match (business, businesses.as_slice()) {
        (Some(id), all) if all.iter().any(|business| business.id.0 == id) => BusinessId(id),
        (Some(id), _) => bail!("there is no business {id}; `tankside business list` shows them"),
        (None, [one]) => one.id,
        // A new store: the key that is asked for is its first.
        (None, []) => {
            let id = BusinessId::new();
            store::access::business::add(&mut tx, id, &name("First business")?, Clock::system().now())
                .await?;
            id
        }
        (None, _) => bail!("there are several businesses; say whose book the key opens with --business"),
    };
    let now = Clock::system().now();
    let secret = key::Secret::random().context("the system gives no random numbers")?;
    let made = key::make(&mut tx, business, new, &secret.hash(), Now { now, latest: now }).await;
    made.map_err(not_done)?;
    tx.commit().await?;
    db.close().await;
    println!("{}", secret.reveal());
    Ok(secret)
}

/// A link that opens the page with a key, and the same as a QR code. What stands behind `#` never leaves the phone.
fn show_link(url: &url::Url, key: &str) -> anyhow::Result<()> {
    let mut link = url.clone();
    link.set_query(None);
    link.set_fragment(Some(&format!("key={key}")));
    let code = qrcode::QrCode::new(link.as_str())?;
    let drawn = code.render::<qrcode::render::unicode::Dense1x2>().quiet_zone(true).build();
    // Black on white whatever the terminal's colours are; cameras may not read it the other way round.
    let (black_on_white, plain) =
        if std::io::stdout().is_terminal() { ("\x1b[30;107m", "\x1b[0m") } else { ("", "") };
    for line in drawn.lines() {
        println!("{black_on_white}{line}{plain}");
    }
    println!("{link}");
    if is_this_machine(url.as_str()) {
        eprintln!("tankside: a phone does not reach {url}; say with --url where it reaches the service");
    }
    Ok(())
}

async fn list_keys(book: &str) -> anyhow::Result<ExitCode> {
    let db = Db::open_existing(book).await?;
    let now = Clock::system().now();
    for found in store::access::key::all(&mut db.read().await?).await? {
        let expired = found.expired_at(now).is_some();
        let key = found.key;
        let state = match (key.revoked_at, key.expires_at) {
            (Some(at), _) => format!("revoked {at}"),
            (None, Some(at)) if expired => format!("expired {at}"),
            (None, Some(at)) => format!("good until {at}"),
            (None, None) => "good".to_owned(),
        };
        let limits = if key.limits.any() {
            format!("  (limited to {})", key.limits.in_words())
        } else {
            String::new()
        };
        println!(
            "{}  {:<11}  {state:<34}  business {}  {}{limits}",
            key.id,
            key.role.as_str(),
            key.business_id,
            key.name
        );
    }
    db.close().await;
    Ok(ExitCode::SUCCESS)
}

async fn revoke_key(book: &str, id: KeyId) -> anyhow::Result<ExitCode> {
    let db = Db::open_existing(book).await?;
    let mut tx = db.write().await?;
    let found = store::access::key::all(&mut tx).await?.into_iter().find(|found| found.key.id == id);
    let revoked = match found {
        Some(found) => {
            let business = found.key.business_id;
            key::revoke(&mut tx, business, id, Clock::system().now()).await.map_err(not_done)?
        }
        None => false,
    };
    tx.commit().await?;
    db.close().await;
    if !revoked {
        bail!("there is no key {id} that is not revoked; `tankside key list` shows them");
    }
    println!("revoked {id}");
    Ok(ExitCode::SUCCESS)
}

/// Why a key was not made or revoked.
fn not_done(error: CommandError) -> anyhow::Error {
    match error {
        CommandError::Failed(error) => error.into(),
        CommandError::Rejected(rejection) => anyhow::anyhow!("{}", Problem::from(*rejection).detail()),
    }
}

async fn create_business(book: &str, called: &str, is_test: bool) -> anyhow::Result<ExitCode> {
    let db = Db::open_existing(book).await?;
    let now = Clock::system().now();
    let id = BusinessId::new();
    let mut tx = db.write().await?;
    store::access::business::add(&mut tx, id, &name(called)?, now).await?;
    if is_test {
        store::access::business::set_test(&mut tx, id).await?;
    }
    let (_, secret) = key::create(&mut tx, id, name("First manager key")?, Role::Manager, None, now).await?;
    tx.commit().await?;
    db.close().await;
    println!("{}", serde_json::json!({"business_id": id, "first_key": secret.reveal()}));
    Ok(ExitCode::SUCCESS)
}

async fn rename_business(book: &str, id: BusinessId, called: &str) -> anyhow::Result<ExitCode> {
    let db = Db::open_existing(book).await?;
    let mut tx = db.write().await?;
    if store::access::business::find(&mut tx, id).await?.is_none() {
        bail!("there is no business {id}; `tankside business list` shows them");
    }
    store::access::business::rename(&mut tx, id, &name(called)?).await?;
    tx.commit().await?;
    db.close().await;
    Ok(ExitCode::SUCCESS)
}

async fn list_businesses(book: &str) -> anyhow::Result<ExitCode> {
    let db = Db::open_existing(book).await?;
    for business in store::access::business::all(&mut db.read().await?).await? {
        println!("{}  {} movements  {}", business.id, business.movements, business.name);
    }
    db.close().await;
    Ok(ExitCode::SUCCESS)
}

async fn listen(port: u16, secrets: &[String]) -> anyhow::Result<ExitCode> {
    let secrets: Vec<Secret> = secrets
        .iter()
        .map(|text| Secret::parse(text))
        .collect::<Result<_, _>>()
        .map_err(anyhow::Error::msg)?;
    let address = SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), port);
    let listener = tokio::net::TcpListener::bind(address).await;
    let listener = listener.with_context(|| format!("cannot listen on {address}"))?;
    println!("{}", serde_json::json!({"listening": format!("http://{}/", listener.local_addr()?)}));
    webhooks::listen::listen(listener, secrets, Clock::system(), |line| println!("{line}")).await?;
    Ok(ExitCode::SUCCESS)
}

/// How long `health` waits for an answer.
const HEALTH_WITHIN: Duration = Duration::from_secs(10);

fn is_this_machine(url: &str) -> bool {
    let Ok(url) = reqwest::Url::parse(url) else { return false };
    let host = url.host_str().unwrap_or_default();
    let bare = host.trim_start_matches('[').trim_end_matches(']');
    host == "localhost" || bare.parse::<IpAddr>().is_ok_and(|ip| ip.to_canonical().is_loopback())
}

async fn health(url: &str, authority: Option<&Path>) -> anyhow::Result<ExitCode> {
    let mut client = reqwest::Client::builder().timeout(HEALTH_WITHIN);
    if let Some(path) = authority {
        let pem = std::fs::read(path).with_context(|| format!("{} cannot be read", path.display()))?;
        client = client.tls_certs_only([reqwest::Certificate::from_pem(&pem)?]);
    }
    // This machine is never behind a proxy, whatever the environment says of the way out.
    let client = if is_this_machine(url) { client.no_proxy() } else { client };
    let answer = client.build()?.get(format!("{}/readyz", url.trim_end_matches('/'))).send().await?;
    let ready = answer.status().is_success();
    println!("{}", answer.text().await?);
    Ok(if ready { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}
