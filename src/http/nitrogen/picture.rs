//! The picture of a tank's level: readings, refills, the fitted level, the forecast and the minimum.

use chrono::{Datelike as _, NaiveDate, TimeDelta, TimeZone as _};
use plotters::{
    coord::ranged1d::{KeyPointHint, NoDefaultFormatting, Ranged, ValueFormatter},
    prelude::*,
    style::text_anchor::{HPos, Pos, VPos},
};

use crate::{
    book::nitrogen::status::TankStatus,
    domain::{
        nitrogen::{Condition, CurvePoint, Interval, curve, tank::Tank},
        values::{TimeZone, Timestamp},
    },
    http::picture::{
        BAND, Canvas, Drawing, DrawingError, GRID, LETTERS, LEVEL, MINIMUM, NOW, Pen, READING, REFILL,
        dashes, wrapped,
    },
};

/// How much further back than now a picture goes at most.
const BACK: TimeDelta = TimeDelta::days(90);

/// What is drawn. Across are days since its beginning, up are millimetres.
pub struct Picture {
    title: String,
    told: Vec<String>,
    /// So many of the last lines told are an alarm.
    alarm: usize,
    below: String,
    across: TimeAxis,
    top_mm: f64,
    now: f64,
    readings: Vec<(f64, f64)>,
    refills: Vec<(f64, f64)>,
    minimum_mm: Option<f64>,
    curve: Vec<(f64, CurvePoint)>,
}

/// The axis of days, marked where days begin in the zone.
#[derive(Clone)]
struct TimeAxis {
    days: f64,
    ticks: Vec<(f64, String)>,
}

impl Ranged for TimeAxis {
    type FormatOption = NoDefaultFormatting;
    type ValueType = f64;

    fn map(&self, value: &f64, limit: (i32, i32)) -> i32 {
        let share = value / self.days;
        #[expect(clippy::cast_possible_truncation, reason = "a place on the ground")]
        let place = (f64::from(limit.1 - limit.0) * share).round() as i32;
        limit.0 + place
    }

    fn key_points<Hint: KeyPointHint>(&self, _: Hint) -> Vec<f64> {
        self.ticks.iter().map(|(x, _)| *x).collect()
    }

    fn range(&self) -> std::ops::Range<f64> {
        0.0..self.days
    }
}

impl ValueFormatter<f64> for TimeAxis {
    fn format_ext(&self, value: &f64) -> String {
        let nearest = self.ticks.iter().find(|(x, _)| (x - value).abs() < 1e-9);
        nearest.map_or_else(String::new, |(_, label)| label.clone())
    }
}

/// Days as a number.
fn days(delta: TimeDelta) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "seconds of some years")]
    let seconds = delta.num_seconds() as f64;
    seconds / 86_400.0
}

impl Picture {
    /// The picture of a tank as it stands.
    pub fn of(tank: &Tank, standing: &TankStatus, zone: TimeZone) -> Self {
        let TankStatus { at, vessel, history, outlook, .. } = standing;
        let now = *at;
        let earliest = now.plus(-BACK);
        let shown =
            history.readings.iter().map(|reading| reading.at).chain(history.refills.iter().map(|r| r.at));
        let first = shown.filter(|shown| *shown >= earliest).min().unwrap_or(now);
        let from = first.min(now.plus(-TimeDelta::days(7))).plus(-TimeDelta::days(1));
        let ahead = outlook.minimum.map_or(TimeDelta::days(30), |minimum| {
            minimum.latest.unwrap_or(minimum.estimate).since(now) + TimeDelta::days(3)
        });
        let until = now.plus(ahead.clamp(TimeDelta::days(14), TimeDelta::days(120)));
        let x = |at: Timestamp| days(at.since(from));
        let inside = |at: &Timestamp| (from..=until).contains(at);
        let readings: Vec<_> = history
            .readings
            .iter()
            .filter(|reading| inside(&reading.at))
            .map(|reading| (x(reading.at), reading.level_mm))
            .collect();
        let refills = history
            .refills
            .iter()
            .filter(|refill| inside(&refill.at))
            .map(|refill| (x(refill.at), refill.level_after_mm.unwrap_or(0.0)))
            .collect();
        let curve: Vec<_> =
            curve(vessel, history, now, from, until).into_iter().map(|point| (x(point.at), point)).collect();
        let highest = readings.iter().map(|(_, mm)| *mm).chain(curve.iter().map(|(_, point)| point.high_mm));
        let highest = vessel.full_depth_mm.into_iter().chain(highest).fold(200.0, f64::max);
        let (told, alarm) = (told(standing, zone), alarm(standing));
        Self {
            title: format!("{}: liquid nitrogen", tank.details.name),
            told: told.into_iter().chain(alarm.iter().cloned()).collect(),
            alarm: alarm.len(),
            below: format!("{}, as of {}", zone, now.display_in(zone)),
            across: TimeAxis {
                days: days(until.since(from)),
                ticks: ticks(from, until, zone).into_iter().map(|(at, label)| (x(at), label)).collect(),
            },
            top_mm: highest * 1.05,
            now: x(now),
            readings,
            refills,
            minimum_mm: vessel.min_depth_mm,
            curve,
        }
    }
}

/// What the figures say, in a few lines.
fn told(standing: &TankStatus, zone: TimeZone) -> Vec<String> {
    let outlook = &standing.outlook;
    let mut lines = Vec::new();
    match outlook.level {
        None => lines.push("No reading yet: dip the rod.".to_owned()),
        Some(level) => {
            let mm = level.depth_mm;
            let litres =
                level.litres.map_or_else(String::new, |litres| format!(", {:.1} litres", litres.estimate));
            lines.push(format!("Level {:.0} mm ({:.0} to {:.0}){litres}", mm.estimate, mm.low, mm.high));
        }
    }
    let (loss, unit) = match outlook.loss.litres_per_day {
        Some(litres) => (litres, "litres"),
        None => (outlook.loss.mm_per_day, "mm"),
    };
    let Interval { low, estimate, high } = loss;
    lines.push(format!("Loses {estimate:.2} {unit} a day ({low:.2} to {high:.2})"));
    if let Some(by) = outlook.refill_by {
        lines.push(format!("Refill by {}", by.day_in(zone)));
    }
    lines
}

/// Why the tank needs looking at, if it does.
fn alarm(standing: &TankStatus) -> Vec<String> {
    let outlook = &standing.outlook;
    match outlook.condition {
        Condition::Failing | Condition::Watch => {
            wrapped(&format!("{}: {}", outlook.condition.as_str().to_uppercase(), outlook.reason), 74)
        }
        Condition::Normal | Condition::Unknown => Vec::new(),
    }
}

/// Midnights in the zone, not more than eight, with their days.
fn ticks(from: Timestamp, until: Timestamp, zone: TimeZone) -> Vec<(Timestamp, String)> {
    let span = until.since(from).num_days();
    let (first, last) = (from.day_in(zone).0, until.day_in(zone).0);
    let step = [1, 2, 7, 14, 28].into_iter().find(|step| span / step <= 7).unwrap_or(56);
    let start = if step < 7 { first } else { first.week(chrono::Weekday::Mon).first_day() };
    let count = usize::try_from((last - start).num_days() / step).unwrap_or(0);
    let tick = |day: NaiveDate| {
        let midnight = zone.0.from_local_datetime(&day.and_hms_opt(0, 0, 0)?).earliest()?;
        let at = Timestamp::from(midnight.to_utc());
        let label = day.format(if day.ordinal() <= 7 { "%-d %b %Y" } else { "%-d %b" }).to_string();
        (from..=until).contains(&at).then_some((at, label))
    };
    (0..=count).filter_map(|n| tick(start + TimeDelta::days(step) * i32::try_from(n).ok()?)).collect()
}

impl Drawing for Picture {
    fn title(&self) -> &str {
        &self.title
    }

    fn draw<DB: DrawingBackend>(&self, ground: &Canvas<'_, DB>, pen: Pen) -> Result<(), DrawingError<DB>> {
        draw(ground, self, pen)
    }
}

fn draw<DB: DrawingBackend>(
    ground: &Canvas<'_, DB>,
    picture: &Picture,
    pen: Pen,
) -> Result<(), DrawingError<DB>> {
    let units = |n: u32| pen.units(n);
    let line = |ink, n: u32| pen.line(ink, n);
    let letters = |ink, size: u32| pen.letters(ink, size);
    let at = |x, y| pen.at(x, y);
    let under = Pos::new(HPos::Left, VPos::Top);

    let mut written = 10;
    ground.draw(&Text::new(picture.title.clone(), at(16, written), letters(LETTERS, 26)))?;
    written += 36;
    for (n, text) in picture.told.iter().enumerate() {
        let ink = if n < picture.told.len() - picture.alarm { LETTERS } else { MINIMUM };
        ground.draw(&Text::new(text.clone(), at(16, written), letters(ink, 21)))?;
        written += 27;
    }
    legend(ground, pen, written + 4)?;
    let (_, below) = ground.split_vertically(units(written.unsigned_abs() + 34));

    let days = picture.across.days;
    let mut chart = ChartBuilder::on(&below)
        .margin_left(units(8))
        .margin_right(units(28))
        .margin_bottom(units(6))
        .margin_top(units(4))
        .x_label_area_size(units(62))
        .y_label_area_size(units(86))
        .build_cartesian_2d(picture.across.clone(), 0.0..picture.top_mm)?;
    chart
        .configure_mesh()
        .axis_style(line(NOW, 1))
        .set_tick_mark_size(LabelAreaPosition::Bottom, units(8))
        .bold_line_style(line(GRID, 1))
        .light_line_style(TRANSPARENT)
        .y_labels(6)
        .y_label_formatter(&|mm| format!("{mm:.0}"))
        .x_label_style(letters(LETTERS, 19))
        .y_label_style(letters(LETTERS, 19))
        .axis_desc_style(letters(LETTERS, 19))
        .x_desc(picture.below.clone())
        .y_desc("depth, mm")
        .draw()?;

    let inside = |mm: f64| mm.clamp(0.0, picture.top_mm);
    for stretch in stretches(&picture.curve) {
        let upper = stretch.iter().map(|(x, point)| (*x, inside(point.high_mm)));
        let lower = stretch.iter().rev().map(|(x, point)| (*x, inside(point.low_mm)));
        let band: Vec<_> = upper.chain(lower).collect();
        chart.draw_series([Polygon::new(band, pen.ink(BAND).filled())])?;
    }
    if let Some(minimum) = picture.minimum_mm.filter(|minimum| *minimum <= picture.top_mm) {
        chart.draw_series([dashes(vec![(0.0, minimum), (days, minimum)], line(MINIMUM, 2), units(10))])?;
        let text = format!("minimum {minimum:.0} mm");
        let style = letters(MINIMUM, 19).pos(under);
        let label = EmptyElement::at((0.0, minimum)) + Text::new(text, at(8, 5), style);
        chart.draw_series([label])?;
    }
    chart.draw_series([PathElement::new(
        vec![(picture.now, 0.0), (picture.now, picture.top_mm)],
        line(NOW, 1),
    )])?;
    for stretch in stretches(&picture.curve) {
        let estimate = |(x, point): &(f64, CurvePoint)| (*x, inside(point.estimate_mm));
        let past: Vec<_> = stretch.iter().filter(|(x, _)| *x <= picture.now).map(estimate).collect();
        let coming: Vec<_> = stretch.iter().filter(|(x, _)| *x >= picture.now).map(estimate).collect();
        chart.draw_series([PathElement::new(past, line(LEVEL, 3))])?;
        chart.draw_series([dashes(coming, line(LEVEL, 3), units(8))])?;
    }
    for (x, mm) in &picture.refills {
        let foot = vec![(*x, 0.0), (*x, inside(*mm))];
        chart.draw_series([dashes(foot, line(REFILL, 2), units(3))])?;
        let tip = (*x, inside(*mm).max(picture.top_mm * 0.03));
        chart.draw_series([TriangleMarker::new(tip, units(9), pen.ink(REFILL).filled())])?;
    }
    let size = if picture.readings.len() > 120 { 2 } else { 5 };
    chart.draw_series(
        picture.readings.iter().map(|spot| Circle::new(*spot, units(size), pen.ink(READING).filled())),
    )?;
    Ok(())
}

/// The curve between refills.
fn stretches(curve: &[(f64, CurvePoint)]) -> impl Iterator<Item = &[(f64, CurvePoint)]> {
    curve.chunk_by(|_, next| !next.1.begins).filter(|stretch| !stretch.is_empty())
}

/// What the signs mean, in one line at that height.
fn legend<DB: DrawingBackend>(ground: &Canvas<'_, DB>, pen: Pen, y: i32) -> Result<(), DrawingError<DB>> {
    let units = |n: u32| pen.units(n);
    let at = |x, y| pen.at(x, y);
    let middle = y + 7;
    let text = |x: i32, text: &'static str| Text::new(text, at(x, y), pen.letters(LETTERS, 19));
    ground.draw(&Circle::new(at(24, middle), units(5), pen.ink(READING).filled()))?;
    ground.draw(&text(38, "reading"))?;
    ground.draw(&TriangleMarker::new(at(146, middle + 2), units(9), pen.ink(REFILL).filled()))?;
    ground.draw(&text(162, "refill"))?;
    let stroke = pen.line(LEVEL, 3);
    ground.draw(&PathElement::new(vec![at(244, middle), at(276, middle)], stroke))?;
    ground.draw(&text(284, "level"))?;
    let band = [at(362, middle - 9), at(402, middle + 9)];
    ground.draw(&Rectangle::new(band, pen.ink(BAND).filled()))?;
    ground.draw(&PathElement::new(vec![at(362, middle), at(376, middle)], stroke))?;
    ground.draw(&PathElement::new(vec![at(384, middle), at(398, middle)], stroke))?;
    ground.draw(&text(410, "forecast, in 9 of 10 cases"))
}
