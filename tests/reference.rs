//! Holds the trade's arithmetic against values worked out a second time, by other libraries.
//!
//! The values stand in `tests/reference/*.json`; how they were made is told in the README there.

use serde_json::Value;
use tankside::domain::{
    animals::{choice::Class, gestation::due_on, kinship::Pedigree},
    identifiers::{parse_animal_code, parse_international_id, parse_uniform_code},
    nitrogen::{
        ChartPoint, DepthChart, facts,
        filter::{Bank, Grid, Prior, Restless, Sighting, Straight},
        forecast,
        history::{Event, What},
        normal::{phi, phi_inverse},
        track::Track,
        watch::Watch,
    },
    reports::{
        conception::Tally,
        cusum::{Cusum, Scores, Share, fallen, run_length, scores},
        distribution::Distribution,
        proportion::{self, difference, wilson},
        season::{FemaleShares, PlannedFemales, PlannedHerd, PlannedService, season},
    },
    straws::{
        demand::{Demand, UseHistory},
        semen::SemenType,
        thaw::{water_to_add_ml, water_to_replace_ml},
    },
    values::Day,
};

fn table(json: &str) -> Value {
    serde_json::from_str(json).unwrap_or_else(|wrong| panic!("{wrong}"))
}

fn rows<'v>(table: &'v Value, name: &str) -> &'v Vec<Value> {
    let rows = table[name].as_array().unwrap_or_else(|| panic!("no list {name}"));
    assert!(!rows.is_empty(), "{name} has rows");
    rows
}

fn number(row: &Value, name: &str) -> f64 {
    row[name].as_f64().unwrap_or_else(|| panic!("{name} in {row}"))
}

fn text<'v>(row: &'v Value, name: &str) -> &'v str {
    row[name].as_str().unwrap_or_else(|| panic!("{name} in {row}"))
}

fn assert_within(got: f64, wanted: f64, relative: f64, of: &Value) {
    assert!((got / wanted - 1.0).abs() <= relative, "{got} is not {wanted}: {of}");
}

#[test]
fn water_for_the_bath_agrees_with_the_heat_balance_and_with_iapws_95() {
    // IAPWS-95 by the iapws library, balance of enthalpy. The service takes water to have one density and one heat
    // capacity: within 1 % as long as the bath is at most 8 K from its aim, up to 4 % for the rest of the table.
    let bath = table(include_str!("reference/thaw_bath.json"));
    let tolerance = number(&bath, "tolerance_rel");
    for case in rows(&bath, "cases") {
        let [t0, target, water, litres] =
            ["T0", "target", "T_added", "V_litre"].map(|name| number(case, name));
        let add = water_to_add_ml(litres * 1000.0, t0, target, water).unwrap() / 1000.0;
        let replace = water_to_replace_ml(litres * 1000.0, t0, target, water).unwrap() / 1000.0;
        assert_within(add, number(case, "add_litre_simple"), tolerance, case);
        assert_within(replace, number(case, "replace_litre_simple"), tolerance, case);
        let neglected = if (t0 - target).abs() <= 8.0 { 0.01 } else { 0.04 };
        assert_within(add, number(case, "add_litre_IAPWS95"), neglected, case);
        assert_within(replace, number(case, "replace_litre_IAPWS95"), neglected, case);
    }
}

/// The code of a breed that the reference names in words.
fn breed_code(name: &str) -> Option<&'static str> {
    Some(match name {
        "Holstein" => "HOL",
        "Jersey" => "JER",
        "Milking Shorthorn" => "MSH",
        "Ayrshire" => "AYS",
        "Guernsey" => "GUE",
        "Brown Swiss" => "BSW",
        "Angus" => "AAN",
        "Shorthorn" => "BSH",
        "Hereford" => "HER",
        "Charolais" => "CHA",
        "Simmental" => "SIM",
        "Limousin" => "LIM",
        "Brahman" => "BRM",
        "any breed" => return None,
        other => panic!("no code for {other}"),
    })
}

#[test]
fn due_dates_agree_with_pythons_calendar() {
    // Norman et al. 2009, J Dairy Sci 92:2259-2269; Nevada Extension.
    let gestation = table(include_str!("reference/gestation.json"));
    for case in rows(&gestation, "cases") {
        let breed = breed_code(text(case, "breed"));
        for row in rows(case, "due") {
            let served = Day(text(row, "served_on").parse().unwrap());
            let due = due_on(served, breed, text(case, "class") == "heifer", false);
            assert_eq!(Some(due.days), case["days"].as_i64(), "{case}");
            assert_eq!(due.due_on.to_string(), text(row, "due_on"), "{case}");
            assert!(due.source.starts_with(text(case, "source")), "{case}");
        }
    }
}

#[test]
fn identifiers_are_read_as_their_standards_say() {
    // Interbull formats 010, 200 and 605; uniform coding system, CDCB format 395; ISO 11784.
    let identifiers = table(include_str!("reference/identifiers.json"));
    for case in rows(&identifiers, "international") {
        let read = parse_international_id(text(case, "code"));
        assert_eq!(read.is_ok(), case["ok"] == true, "{case}");
        let Ok(id) = read else { continue };
        assert_eq!(id.to_string(), text(case, "code"));
        let parts = [id.breed.as_str(), id.country.as_str(), id.sex.as_str(), id.number.as_str()];
        assert_eq!(parts, ["breed", "country", "sex", "number"].map(|part| text(case, part)));
    }
    for case in rows(&identifiers, "international_from_parts") {
        let written = ["breed", "country", "sex", "number"].map(|part| text(case, part)).join(" ");
        let read = parse_international_id(&written).map(|id| id.to_string());
        assert_eq!(read.ok().as_deref(), case["code"].as_str(), "{case}");
    }
    for case in rows(&identifiers, "bull") {
        let read = parse_uniform_code(text(case, "code"));
        assert_eq!(read.is_ok(), case["ok"] == true, "{case}");
        let Ok(code) = read else { continue };
        assert_eq!(
            (code.to_string().as_str(), code.short().as_str()),
            (text(case, "full"), text(case, "short"))
        );
        assert_eq!(
            (case["stud"].as_u64(), case["bull"].as_u64()),
            (Some(code.stud.into()), Some(code.bull.into()))
        );
    }
    for case in rows(&identifiers, "animal") {
        let read = parse_animal_code(text(case, "code"));
        assert_eq!(read.is_ok(), case["ok"] == true, "{case}");
        let Ok(code) = read else { continue };
        assert_eq!(code.to_string(), text(case, "code"));
        assert_eq!(case["country_or_maker"].as_u64(), Some(code.country_or_maker.into()));
        assert_eq!(case["animal"].as_u64(), Some(code.national));
    }
}

#[test]
fn kinship_agrees_with_the_tabular_method() {
    // Mrode 3e, ch. 2, by numpy and checked against exact fractions.
    let kinship = table(include_str!("reference/kinship.json"));
    let tolerance = number(&kinship, "tolerance_abs");
    let assert_same = |got: f64, wanted: f64, of: &str| {
        assert!((got - wanted).abs() <= tolerance, "{got} is not {wanted}: {of}");
    };
    for case in rows(&kinship, "cases") {
        let mut pedigree = Pedigree::new();
        let animals = rows(case, "animals");
        for animal in animals {
            pedigree.add(text(animal, "id"), animal["sire"].as_str(), animal["dam"].as_str());
        }
        for animal in animals {
            if let (Some(sire), Some(dam)) = (animal["sire"].as_str(), animal["dam"].as_str()) {
                assert_same(
                    pedigree.expected_inbreeding(dam, sire),
                    number(animal, "inbreeding"),
                    text(case, "name"),
                );
            }
        }
        for mating in rows(case, "matings") {
            let calf = pedigree.expected_inbreeding(text(mating, "female"), text(mating, "male"));
            assert_same(calf, number(mating, "calf_inbreeding"), text(case, "name"));
        }
    }
}

#[test]
fn kinship_in_closed_herds_agrees_with_the_tabular_method() {
    // Mrode 3e, ch. 2, by numpy and checked against exact fractions.
    let kinship = table(include_str!("reference/kinship_closed.json"));
    let tolerance = number(&kinship, "tolerance_abs");
    for case in rows(&kinship, "cases") {
        let mut pedigree = Pedigree::new();
        for (id, parents) in (0_u64..).zip(rows(case, "parents")) {
            pedigree.add(id, parents[0].as_u64(), parents[1].as_u64());
        }
        for (id, parents) in (0..).zip(rows(case, "parents")) {
            if let (Some(sire), Some(dam)) = (parents[0].as_u64(), parents[1].as_u64()) {
                let inbreeding = case["inbreeding"][id].as_f64().unwrap();
                assert_near(pedigree.expected_inbreeding(dam, sire), inbreeding, tolerance, parents);
            }
        }
        for by_dam in rows(case, "matings").chunk_by(|one, other| one[0] == other[0]) {
            let dam = by_dam[0][0].as_u64().unwrap();
            let sires: Vec<u64> = by_dam.iter().map(|mating| mating[1].as_u64().unwrap()).collect();
            for (calf, mating) in pedigree.expected_inbreeding_with(dam, &sires).iter().zip(by_dam) {
                assert_near(calf.coefficient, mating[2].as_f64().unwrap(), tolerance, mating);
            }
        }
    }
}

#[test]
fn nitrogen_has_the_properties_of_the_equation_of_state() {
    // CoolProp: Span et al. 2000, the equation of state of NIST. The service rounds to what a farm can use.
    let nitrogen = table(include_str!("reference/nitrogen.json"));
    let properties = &nitrogen["properties"];
    for (ours, name, relative) in [
        (facts::BOILING_POINT_C, "boiling_point_c", 1e-6),
        (facts::DENSITY_KG_PER_L, "density_kg_per_l", 1e-5),
        (facts::LATENT_HEAT_J_PER_KG, "latent_heat_j_per_kg", 1e-6),
        (facts::GAS_L_PER_L, "gas_l_per_l", 1e-4),
        (facts::LOSS_L_PER_DAY_PER_W, "loss_l_per_day_per_w", 5e-4),
    ] {
        assert_within(ours, number(properties, name), relative, properties);
    }
}

#[test]
fn a_tanks_chart_is_the_monotone_curve_of_scipy() {
    // scipy.interpolate.PchipInterpolator, its derivative, and its inverse by brentq.
    let nitrogen = table(include_str!("reference/nitrogen.json"));
    for case in rows(&nitrogen, "charts") {
        let points: Vec<_> = rows(case, "points")
            .iter()
            .map(|row| ChartPoint { depth_mm: number(row, "depth_mm"), litres: number(row, "litres") })
            .collect();
        let chart = DepthChart::through(&points).unwrap();
        for at in rows(case, "at") {
            let depth_mm = number(at, "depth_mm");
            assert_near(chart.litres(depth_mm), number(at, "litres"), 1e-9, at);
            assert_near(chart.slope_l_per_mm(depth_mm), number(at, "slope_l_per_mm"), 1e-9, at);
        }
        for back in rows(case, "back") {
            assert_near(chart.depth_mm(number(back, "litres")), number(back, "depth_mm"), 1e-6, back);
        }
    }
}

fn assert_near(got: f64, wanted: f64, absolute: f64, of: &Value) {
    assert!((got - wanted).abs() <= absolute, "{got} is not {wanted}: {of}");
}

#[test]
fn the_normal_distribution_is_that_of_scipy() {
    // scipy.special.ndtr and ndtri.
    let nitrogen = table(include_str!("reference/nitrogen.json"));
    for row in rows(&nitrogen, "phi") {
        assert_within(phi(number(row, "x")), number(row, "chance"), 1e-9, row);
    }
    for row in rows(&nitrogen, "phi_inverse") {
        assert_near(phi_inverse(number(row, "chance")), number(row, "x"), 1e-6, row);
    }
}

/// Leads a bank through the events of a case; for each reading after a first, what it predicted.
fn follow(case: &Value, openings_known: bool) -> (Bank, Vec<f64>) {
    let prior = Prior {
        median_mm_per_day: number(&case["prior"], "median_mm_per_day"),
        sd_log: number(&case["prior"], "sd_log"),
    };
    let scaled = |(scale, weight): (f64, f64)| {
        let restless = Restless { tau: number(case, "tau") * scale, kappa: number(case, "kappa") * scale };
        (restless, weight)
    };
    // The grid of nitrogen.py; the service's own grids are those of nitrogen_watch.py.
    let grid = Grid {
        sigmas_mm: &[(3.0, 0.35), (5.0, 0.45), (8.0, 0.15), (13.0, 0.05)],
        restless: [(0.7, 0.4), (1.3, 0.4), (2.6, 0.2)].map(scaled).to_vec(),
        omegas_days: if openings_known {
            &[(0.0, 0.1), (0.05, 0.2), (0.15, 0.2), (0.3, 0.2), (0.6, 0.2), (1.2, 0.1)]
        } else {
            &[(0.0, 1.0)]
        },
    };
    let mut bank = Bank::new(prior, &grid);
    let (mut known, mut now, mut predicted) = (false, 0.0, Vec::new());
    for event in rows(case, "events") {
        let at_days = number(event, "at_days");
        bank.pass(at_days - now, number(event, "openings"));
        now = at_days;
        let Some(level_mm) = event["level_mm"].as_f64() else {
            known = false;
            continue;
        };
        let seen = Sighting { level_mm, stretch: 1.0 };
        if known {
            predicted.push(bank.chance_below(seen));
            bank.learn(seen);
        } else {
            bank.anchor(seen);
            known = true;
        }
    }
    (bank, predicted)
}

#[test]
fn the_forecast_is_that_of_filters_in_matrix_form() {
    // numpy and scipy: matrices, Joseph's update, logarithmic weights; quantiles by brentq; the integral by quad.
    let nitrogen = table(include_str!("reference/nitrogen.json"));
    let tolerance = number(&nitrogen, "tolerance_rel");
    for case in rows(&nitrogen, "forecasts") {
        let (bank, _) = follow(case, false);
        let min_mm = number(case, "min_mm");
        for (filter, weight) in bank.filters.iter().zip(rows(case, "weights")) {
            assert_within(filter.weight, weight.as_f64().unwrap(), tolerance, case);
        }
        for row in rows(case, "reached_by") {
            let chance = forecast::reached_by(&bank, min_mm, number(row, "days"));
            assert_near(chance, number(row, "chance"), 1e-9, row);
            assert_near(chance, number(row, "chance_by_integral"), 0.005, row);
        }
        for row in rows(case, "days_until") {
            let days = forecast::days_until(&bank, min_mm, number(row, "chance")).unwrap();
            assert_near(days, number(row, "days"), 1e-5, row);
        }
        let level = forecast::level(&bank, f64::INFINITY);
        for (got, row) in [level.low, level.estimate, level.high].into_iter().zip(rows(case, "level_mm")) {
            assert_within(got, number(row, "value"), 1e-7, row);
        }
    }
}

#[test]
fn what_the_watch_predicts_is_what_filters_in_matrix_form_predict() {
    let nitrogen = table(include_str!("reference/nitrogen.json"));
    let tolerance = number(&nitrogen, "tolerance_rel");
    for case in rows(&nitrogen, "watches") {
        let (bank, predicted) = follow(case, case["openings_known"].as_bool().unwrap());
        for (got, row) in predicted.into_iter().zip(rows(case, "foretold")) {
            assert_within(got, number(row, "chance_below"), tolerance, row);
        }
        let (mean, variance) = bank.rho();
        assert_within(mean, number(&case["rho"], "mean"), tolerance, case);
        assert_within(variance, number(&case["rho"], "variance"), 1e-7, case);
    }
}

#[test]
fn the_watch_judges_as_the_method_worked_out_a_second_time() {
    // nitrogen_watch.py: the same events through filters written as plain lists, reading by reading.
    let vectors = table(include_str!("reference/nitrogen_watch.json"));
    let judged = rows(&vectors, "vectors").iter().filter(|case| case["openings_known"].is_boolean());
    let mut seen = 0;
    for case in judged {
        let ledger = case["openings_known"].as_bool().unwrap();
        let mut watch = Watch::new(Prior::of_rated(number(case, "rated_mm_per_day"), ledger), ledger);
        let (mut now, mut told) = (0.0, rows(case, "out").iter());
        for event in rows(case, "events") {
            let (at_days, openings) = (event[0].as_f64().unwrap(), event[2].as_f64().unwrap_or(0.0));
            let what =
                event[1].as_f64().map_or(What::Refill, |level_mm| What::Read { level_mm, stands_for: 1 });
            let days = at_days - now;
            now = at_days;
            watch.take(&Event { at_days, days, openings, ledger, what }, Straight(None));
            if what == What::Refill {
                continue;
            }
            let row = told.next().unwrap();
            seen += 1;
            assert_eq!(watch.standing().is_some(), row["failing"].as_bool().unwrap(), "{row}");
            match row["W"].as_f64() {
                Some(evidence) => assert_near(watch.evidence(), evidence, 2e-5, row),
                None => assert!(watch.evidence().is_infinite(), "{row}"),
            }
            if let Some(alarm) = watch.standing() {
                assert_within(watch.times_before().unwrap(), number(row, "times_ref"), 1e-5, row);
                if let Some(cause) = row["why"].as_str() {
                    assert_eq!((alarm.cause.as_str(), alarm.at_days), (cause, at_days), "{row}");
                }
            }
        }
        assert!(told.next().is_none());
        assert_eq!(watch.alarms.len(), 1);
    }
    assert!(seen > 100, "{seen}");
}

#[test]
fn the_loss_of_the_next_days_and_the_date_are_those_worked_out_a_second_time() {
    // nitrogen_watch.py
    let vectors = table(include_str!("reference/nitrogen_watch.json"));
    let case = rows(&vectors, "vectors").iter().find(|case| case["minimum_mm"].is_number()).unwrap();
    let rated = number(case, "rated_mm_per_day");
    let mut track = Track::new(Bank::new(Prior::of_rated(rated, false), &Grid::forecast()));
    for event in rows(case, "events") {
        track.pass(event[0].as_f64().unwrap(), 0.0);
        match event[1].as_f64() {
            None => track.refill(),
            Some(level_mm) => drop(track.read(Sighting { level_mm, stretch: 1.0 })),
        }
    }
    let (bank, out) = (track.bank(), &case["out"]);
    assert_within(bank.mix(|filter| filter.level_mm), number(out, "level_mean"), 1e-7, out);
    assert_near(bank.rho().0, number(out, "rho_mean"), 1e-6, out);
    assert_near(bank.rho().1, number(out, "rho_var"), 1e-6, out);
    let loss = forecast::loss(&bank);
    let losses = [loss.low, loss.estimate, loss.high].into_iter().zip(rows(out, "loss14_mm_per_day"));
    for (got, wanted) in losses {
        assert_within(got, wanted.as_f64().unwrap(), 1e-6, out);
    }
    for (chance, wanted) in [0.05, 0.5, 0.95].into_iter().zip(rows(out, "days_to_minimum")) {
        let days = forecast::days_until(&bank, number(case, "minimum_mm"), chance).unwrap();
        assert_within(days, wanted.as_f64().unwrap(), 1e-5, out);
    }
}

#[test]
fn stock_lasts_as_scipy_says() {
    let stock = table(include_str!("reference/stock.json"));
    let tolerance = number(&stock, "tolerance_rel");
    for case in rows(&stock, "histories") {
        let by_day =
            rows(case, "by_day").iter().map(|day| (day[0].as_i64().unwrap(), day[1].as_i64().unwrap()));
        let learned = UseHistory { by_day: by_day.collect(), days: number(case, "days") }.learned_anyway();
        for (got, wanted) in [(learned.x, "x"), (learned.t, "t"), (learned.phi, "phi")] {
            assert_within(got, number(case, wanted), tolerance, case);
        }
    }
    for case in rows(&stock, "outlooks") {
        let [x, t, phi, lead] = ["x", "t", "phi", "lead_days"].map(|name| number(case, name));
        let (demand, held) = (Demand { x, t, phi }, case["stock"].as_i64().unwrap());
        let (mean, variance) = demand.asked_for(lead);
        assert_within(mean, number(case, "mean"), tolerance, case);
        assert_within(variance, number(case, "variance"), tolerance, case);
        for (straws, wanted) in case["at_most"].as_object().unwrap() {
            let got = demand.at_most(straws.parse().unwrap(), lead);
            assert_within(got, wanted.as_f64().unwrap(), tolerance, case);
        }
        for (level, wanted) in case["reorder"].as_object().unwrap() {
            assert_eq!(Some(demand.reorder_point(lead, level.parse().unwrap())), wanted.as_i64(), "{case}");
        }
        // One less a number near one: what is left of it is right to that many places only.
        assert!((demand.runs_out(held, lead) - number(case, "runs_out")).abs() < 1e-12, "{case}");
        let (used, lasts) = (demand.daily_use(), demand.lasts_days(held));
        for (quantile, rate, days) in [("0.05", used.low, lasts.low), ("0.95", used.high, lasts.high)] {
            assert_within(rate, number(&case["rate"], quantile), tolerance, case);
            assert_within(days, number(&case["gone_after_days"], quantile), tolerance, case);
        }
        assert_within(lasts.estimate, number(&case["gone_after_days"], "0.5"), tolerance, case);
    }
}

#[test]
fn reorder_points_meet_the_textbook_where_its_formulas_apply() {
    // Stevenson, Operations Management 14e, ch. 12. With a daily use known for certain and straws asked for one
    // by one, what is asked for is Poisson; with many of them it is nearly normal.
    let stock = table(include_str!("reference/stock.json"));
    let certain = |mean: f64| Demand { x: mean * 1e9, t: 1e9, phi: 1.0 };
    let poisson = &stock["stevenson"]["poisson"];
    let least = certain(number(poisson, "mean")).reorder_point(1.0, number(poisson, "ratio"));
    assert_eq!(Some(least), poisson["stock"].as_i64());
    // Mean demand plus z times its standard deviation; the example's own z, that of a risk of 3 %.
    let normal = &stock["stevenson"]["normal"];
    let z = (number(normal, "reorder") - number(normal, "mean")) / number(normal, "sd");
    for mean in [400.0, 2_500.0] {
        let point = certain(mean).reorder_point(1.0, 1.0 - number(normal, "risk"));
        let textbook = mean + z * mean.sqrt();
        #[expect(clippy::cast_precision_loss, reason = "a few thousand straws")]
        let apart = (point as f64 - textbook).abs();
        assert!(apart <= 1.5, "{point} for {textbook}");
    }
}

/// Two numbers of a list.
fn pair(row: &Value) -> [i64; 2] {
    [0, 1].map(|n| row[n].as_i64().unwrap_or_else(|| panic!("two numbers in {row}")))
}

#[test]
fn shares_and_their_intervals_agree_with_statsmodels() {
    let proportions = table(include_str!("reference/proportions.json"));
    let tolerance = number(&proportions, "tolerance_abs");
    for case in rows(&proportions, "shares") {
        let [k, n] = ["k", "n"].map(|name| case[name].as_i64().unwrap());
        for (coverage, ends) in case["wilson"].as_object().unwrap() {
            let interval = wilson(k, n, coverage.parse().unwrap()).unwrap();
            assert_near(interval.low, ends[0].as_f64().unwrap(), tolerance, case);
            assert_near(interval.high, ends[1].as_f64().unwrap(), tolerance, case);
        }
        let drawn = proportion::Prior { yes: 101.5, no: 101.5 }.after_with_interval(k, n, 0.9);
        for (got, at) in [(drawn.low, 0), (drawn.estimate, 1), (drawn.high, 2)] {
            assert_near(got, case["drawn"][at].as_f64().unwrap(), tolerance, case);
        }
    }
    for case in rows(&proportions, "technicians") {
        let all = Tally { services: 1000, conceived: 400, ..Tally::default() };
        assert_near(0.4, number(case, "mean"), tolerance, case);
        let [conceived, services] = ["k", "n"].map(|name| case[name].as_i64().unwrap());
        let drawn = Tally { services, conceived, ..Tally::default() }.shrunk(&all).unwrap();
        for (got, at) in [(drawn.low, 0), (drawn.estimate, 1), (drawn.high, 2)] {
            assert_near(got, case["drawn"][at].as_f64().unwrap(), tolerance, case);
        }
    }
    for case in rows(&proportions, "differences") {
        let ([k1, n1], [k2, n2]) = (pair(&case["later"]), pair(&case["earlier"]));
        let interval = difference((k1, n1), (k2, n2)).unwrap();
        assert_near(interval.low, number(case, "low"), tolerance, case);
        assert_near(interval.high, number(case, "high"), tolerance, case);
    }
}

#[test]
fn what_a_season_takes_agrees_with_numpy_and_scipy() {
    let plans = table(include_str!("reference/season.json"));
    let tolerance = number(&plans, "tolerance_rel");
    let same = |got: &Distribution, wanted: &Value| {
        assert_near(got.mean(), number(wanted, "mean"), tolerance * number(wanted, "mean").max(1.0), wanted);
        assert_near(got.variance(), number(wanted, "variance"), 1e-7, wanted);
        for (q, at) in wanted["quantiles"].as_object().unwrap() {
            assert_eq!(
                Some(got.quantile(q.parse().unwrap())),
                at.as_u64().and_then(|at| usize::try_from(at).ok()),
                "{q}: {wanted}"
            );
        }
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a number of straws")]
        let at_mean = got.at(number(wanted, "mean").round_ties_even() as usize);
        assert_near(at_mean, number(wanted, "at_mean"), 1e-9, wanted);
    };
    for case in rows(&plans, "cases") {
        let services =
            rows(case, "services").iter().zip(1..).map(|(service, service_number)| PlannedService {
                service_number,
                semen_type: SemenType::parse(service[0].as_str().unwrap()).unwrap(),
                conception: service[1].as_f64().unwrap(),
            });
        let count = usize::try_from(case["n"].as_i64().unwrap()).unwrap();
        let females = PlannedFemales { class: Class::Heifer, count, services: services.collect() };
        let herd = PlannedHerd { females: vec![females], spread: number(case, "spread") };
        let shares = FemaleShares {
            conventional: number(&case["female"], "conventional"),
            sexed_female: number(&case["female"], "sexed_female"),
            sexed_male: 0.1,
        };
        let outcome = season(&[herd], shares);
        for (semen_type, wanted) in case["straws"].as_object().unwrap() {
            same(&outcome.straws[&SemenType::parse(semen_type).unwrap()], wanted);
        }
        same(&outcome.pregnancies, &case["pregnancies"]);
        same(&outcome.heifer_calves, &case["heifer_calves"]);
    }
}

#[test]
fn the_watch_over_conception_agrees_with_the_full_markov_chain() {
    let watch = table(include_str!("reference/cusum.json"));
    let tolerance = number(&watch, "tolerance_rel");
    let whole = |row: &Value, name: &str| row[name].as_i64().unwrap();
    for case in rows(&watch, "single") {
        let own = Scores { up: whole(case, "up"), down: whole(case, "down") };
        let length = run_length(
            &[Share { share: 1.0, takes: number(case, "takes"), scores: own }],
            whole(case, "limit"),
        );
        assert_within(length, number(case, "run_length"), tolerance, case);
    }
    for case in rows(&watch, "mixed") {
        let mix = |takes: fn(f64) -> f64| -> Vec<Share> {
            let parts = rows(case, "parts").iter().map(|part| {
                let expected = number(part, "expected");
                let own = Scores { up: whole(part, "up"), down: whole(part, "down") };
                assert_eq!(scores(expected), own, "{part}");
                Share { share: number(part, "share"), takes: takes(expected), scores: own }
            });
            parts.collect()
        };
        assert_within(run_length(&mix(|rate| rate), 184), number(case, "in_control"), tolerance, case);
        assert_within(run_length(&mix(fallen), 184), number(case, "when_fallen"), tolerance, case);
    }
    for case in rows(&watch, "paths") {
        let (own, mut cusum) = (scores(number(case, "expected")), Cusum::default());
        for (took, sum) in rows(case, "outcomes").iter().zip(rows(case, "sums")) {
            cusum.add(own, took == 1);
            assert_eq!(Some(cusum.sum), sum.as_i64(), "{case}");
        }
    }
}
