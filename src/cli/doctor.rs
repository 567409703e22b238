//! `tankside doctor`: what was looked at, line by line.

use std::process::ExitCode;

use clap::{ArgMatches, parser::ValueSource};
use tankside::{
    clock::Clock,
    config::{Origin, Settings, names_in},
    doctor::{self, Report, State},
};

/// Looks at everything and tells it; a status of failure when something is wrong.
pub async fn run(
    settings: Settings,
    given: &ArgMatches,
    unknown: Vec<String>,
    json: bool,
) -> anyhow::Result<ExitCode> {
    let file = given.get_one::<std::path::PathBuf>("config").map_or_else(Vec::new, |file| names_in(file));
    let origin_of = |name: &str| match given.value_source(name) {
        Some(ValueSource::CommandLine) => Origin::Flag,
        Some(ValueSource::EnvVariable) => Origin::Environment,
        _ if file.iter().any(|named| named == name) => Origin::File,
        _ => Origin::Default,
    };
    let now = Clock::system().now();
    let report = doctor::look(crate::VERSION, settings.resolve(), origin_of, unknown, now).await;
    if json {
        println!("{}", serde_json::to_string_pretty(&report)?);
    } else {
        tell(&report);
    }
    Ok(if report.state == State::Wrong { ExitCode::FAILURE } else { ExitCode::SUCCESS })
}

fn tell(report: &Report) {
    for finding in &report.findings {
        println!("{:<6} {:<12} {}", finding.state.as_str(), finding.subject, finding.text);
        if let Some(advice) = &finding.advice {
            println!("{:<19} -> {advice}", "");
        }
        if finding.subject == "settings" && finding.state == State::Ok {
            for setting in &report.settings {
                println!("{:<19} {} = {} ({})", "", setting.name, setting.value, setting.from);
            }
        }
    }
}
