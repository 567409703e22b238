//! Variables of the environment that look like settings and are none: most are a typing error.

use std::collections::BTreeSet;

use clap::Command;

/// What all of them begin with.
const OURS: &str = "TANKSIDE_";

/// Those of the scripts in `demo/`, which a shell may hold when the program is run.
const OF_SCRIPTS: [&str; 4] = ["TANKSIDE_URL", "TANKSIDE_KEY", "TANKSIDE_ACTS", "TANKSIDE_QUEUE"];

/// Those of the checks and measurements, and of docker-compose.yml.
const OF_TESTS: [&str; 4] =
    ["TANKSIDE_TEST_", "TANKSIDE_MODEL_", "TANKSIDE_BENCH_", "TANKSIDE_POSTGRES_PASSWORD"];

/// What Kubernetes sets for a service named tankside (kubernetes.io, "Accessing the Service: environment variables").
fn is_of_kubernetes(name: &str, value: &str) -> bool {
    name.starts_with("TANKSIDE_SERVICE_")
        || name.starts_with("TANKSIDE_PORT_")
        || (name == "TANKSIDE_PORT" && value.contains("://"))
}

/// Those that the program does not know, each with the nearest that it does.
pub fn unknown(program: &Command) -> Vec<String> {
    let given = std::env::vars_os();
    let given: Vec<_> = given
        .filter_map(|(name, value)| Some((name.into_string().ok()?, value.to_string_lossy().into_owned())))
        .collect();
    unknown_of(program, &given)
}

fn unknown_of(program: &Command, given: &[(String, String)]) -> Vec<String> {
    let mut known = BTreeSet::new();
    gather(program, &mut known);
    let strange = given.iter().filter(|(name, value)| {
        name.starts_with(OURS)
            && !known.contains(name)
            && !OF_SCRIPTS.contains(&name.as_str())
            && !OF_TESTS.iter().any(|front| name.starts_with(front))
            && !is_of_kubernetes(name, value)
    });
    strange
        .map(|(name, _)| {
            let nearest = known.iter().min_by_key(|known| strsim::damerau_levenshtein(known, name));
            let nearest = nearest.map_or_else(String::new, |known| format!("; the nearest one is {known}"));
            format!("{name} in the environment is no setting and does nothing{nearest}")
        })
        .collect()
}

fn gather(command: &Command, known: &mut BTreeSet<String>) {
    let named = command.get_arguments().filter_map(clap::Arg::get_env);
    known.extend(named.map(|name| name.to_string_lossy().into_owned()));
    for inner in command.get_subcommands() {
        gather(inner, known);
    }
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory as _;

    use super::*;

    #[test]
    fn what_is_no_setting_is_told_with_the_nearest_one() {
        let given: Vec<_> = [
            ("TANKSIDE_LISTEN", "127.0.0.1:8080"),
            ("TANKSIDE_DATABSE_URL", "sqlite://x.db"),
            ("TANKSIDE_URL", "http://127.0.0.1:8080"),
            ("TANKSIDE_TEST_POSTGRES_URL", "postgres://x"),
            ("TANKSIDE_PORT", "tcp://10.0.0.1:8080"),
            ("TANKSIDE_PORT_8080_TCP_ADDR", "10.0.0.1"),
            ("TANKSIDE_SERVICE_HOST", "10.0.0.1"),
            ("OTHER", "x"),
        ]
        .map(|(name, value)| (name.to_owned(), value.to_owned()))
        .into();
        let told = unknown_of(&crate::Cli::command(), &given);
        assert_eq!(
            told,
            [
                "TANKSIDE_DATABSE_URL in the environment is no setting and does nothing; the nearest one is TANKSIDE_DATABASE_URL"
            ]
        );
        let port = [("TANKSIDE_PORT".to_owned(), "8080".to_owned())];
        assert_eq!(unknown_of(&crate::Cli::command(), &port).len(), 1);
    }
}
