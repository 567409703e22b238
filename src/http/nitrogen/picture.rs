//! The picture of a tank's level: readings, refills, the fitted level, the forecast and the minimum.
//!
//! One drawing serves SVG and PNG. It is laid out 800 units wide with large letters, so that it can
//! be read on a phone; both are drawn finer than that, because the drawing library places by whole
//! points. The PNG's letters come from a font inside the program, an SVG's from the reader's own.

use std::sync::{Condvar, LazyLock, Mutex, PoisonError};

use chrono::{Datelike as _, NaiveDate, TimeDelta, TimeZone as _};
use plotters::{
    coord::{
        Shift,
        ranged1d::{KeyPointHint, NoDefaultFormatting, Ranged, ValueFormatter},
    },
    drawing::DrawingAreaErrorKind,
    element::DashedPathElement,
    prelude::*,
    style::{
        FontStyle, register_font,
        text_anchor::{HPos, Pos, VPos},
    },
};

use crate::{
    book::nitrogen::status::TankStatus,
    domain::{
        nitrogen::{Condition, CurvePoint, Interval, curve, tank::Tank},
        values::{TimeZone, Timestamp},
    },
    text_enum,
};

text_enum! {
    /// The ground of a picture.
    Theme {
        /// Dark on light.
        Light = "light",
        /// Light on dark.
        Dark = "dark",
    }
}

/// Why a picture could not be drawn: a fault of ours.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct Error(String);

impl<E: std::error::Error + Send + Sync> From<DrawingAreaErrorKind<E>> for Error {
    fn from(error: DrawingAreaErrorKind<E>) -> Self {
        Self(error.to_string())
    }
}

const WIDTH: u32 = 800;
const HEIGHT: u32 = 600;

/// How much further back than now a picture goes at most.
const BACK: TimeDelta = TimeDelta::days(90);

/// `DejaVu` Sans, cut down; its licence stands beside it.
static FONT: &[u8] = include_bytes!("../../../assets/fonts/DejaVuSans-subset.ttf");
const FAMILY: &str = "sans-serif";

/// Registers the font once for the process.
static FONT_KNOWN: LazyLock<bool> = LazyLock::new(|| register_font(FAMILY, FontStyle::Normal, FONT).is_ok());

/// A colour on a light and on a dark ground. All of the first kind differ, so that an SVG can tell by them what a
/// thing is.
#[derive(Clone, Copy)]
struct Ink(RGBColor, RGBColor);

impl Ink {
    fn on(self, theme: Theme) -> RGBColor {
        match theme {
            Theme::Light => self.0,
            Theme::Dark => self.1,
        }
    }
}

const GROUND: Ink = Ink(RGBColor(255, 255, 255), RGBColor(18, 20, 23));
const LETTERS: Ink = Ink(RGBColor(26, 26, 26), RGBColor(234, 234, 234));
const GRID: Ink = Ink(RGBColor(224, 224, 224), RGBColor(50, 55, 62));
const BAND: Ink = Ink(RGBColor(196, 220, 243), RGBColor(30, 62, 94));
const LEVEL: Ink = Ink(RGBColor(11, 92, 173), RGBColor(108, 182, 255));
const READING: Ink = Ink(RGBColor(10, 45, 90), RGBColor(207, 230, 255));
const REFILL: Ink = Ink(RGBColor(38, 110, 44), RGBColor(129, 199, 132));
const MINIMUM: Ink = Ink(RGBColor(179, 38, 30), RGBColor(255, 138, 128));
const NOW: Ink = Ink(RGBColor(117, 117, 117), RGBColor(154, 154, 154));
const INKS: [Ink; 9] = [GROUND, LETTERS, GRID, BAND, LEVEL, READING, REFILL, MINIMUM, NOW];

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

/// Text in lines of at most so many characters, broken at spaces.
fn wrapped(text: &str, longest: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= longest => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
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

/// The picture as SVG, 800 by 600 wherever nothing else is asked for.
pub fn svg(picture: &Picture, theme: Option<Theme>) -> Result<Vec<u8>, Error> {
    /// How many points make a unit.
    const FINE: u32 = 4;
    let mut drawn = String::new();
    let ground = SVGBackend::with_string(&mut drawn, (WIDTH * FINE, HEIGHT * FINE)).into_drawing_area();
    draw(&ground, picture, theme.unwrap_or(Theme::Light), FINE)?;
    ground.present()?;
    drop(ground);
    let (own, asked) = (format!("width=\"{}\" height=\"{}\"", WIDTH * FINE, HEIGHT * FINE), {
        format!("width=\"{WIDTH}\" height=\"{HEIGHT}\" role=\"img\"")
    });
    let mut svg = drawn.replacen(&own, &asked, 1);
    let inside = svg.find('>').map_or(0, |end| end + 1);
    let style = if theme.is_none() { style() } else { String::new() };
    svg.insert_str(inside, &format!("\n<title>{}</title>{style}", escaped(&picture.title)));
    Ok(svg.into_bytes())
}

/// Follows the reader's setting: each colour on a light ground becomes its own on a dark one.
fn style() -> String {
    use std::fmt::Write as _;
    let hex = |RGBColor(r, g, b): RGBColor| format!("#{r:02X}{g:02X}{b:02X}");
    let mut rules = String::new();
    for Ink(light, dark) in INKS {
        let (light, dark) = (hex(light), hex(dark));
        let _ = write!(rules, "[fill=\"{light}\"]{{fill:{dark}}}[stroke=\"{light}\"]{{stroke:{dark}}}");
    }
    format!("<style>:root{{color-scheme:light dark}}@media (prefers-color-scheme:dark){{{rules}}}</style>")
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}

/// The points that PNGs are drawn in, thirteen megabytes for each. There are no more of them than cores, also while
/// drawings go on whose reader has left, and each is used again instead of being asked of the system anew.
static GROUNDS: Grounds =
    Grounds { kept: Mutex::new(Kept { made: 0, free: Vec::new() }), freed: Condvar::new() };

struct Grounds {
    kept: Mutex<Kept>,
    freed: Condvar,
}

struct Kept {
    made: usize,
    free: Vec<Vec<u8>>,
}

/// Points to draw in, until it is dropped.
struct Ground(Vec<u8>);

impl Grounds {
    /// Waits for a ground.
    fn take(&self) -> Ground {
        let most = std::thread::available_parallelism().map_or(1, std::num::NonZeroUsize::get);
        let kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        let all_drawn_on = |kept: &mut Kept| kept.free.is_empty() && kept.made >= most;
        let mut kept = self.freed.wait_while(kept, all_drawn_on).unwrap_or_else(PoisonError::into_inner);
        Ground(kept.free.pop().unwrap_or_else(|| {
            kept.made += 1;
            Vec::new()
        }))
    }
}

impl Drop for Ground {
    fn drop(&mut self) {
        let mut kept = GROUNDS.kept.lock().unwrap_or_else(PoisonError::into_inner);
        kept.free.push(std::mem::take(&mut self.0));
        GROUNDS.freed.notify_one();
    }
}

/// The picture as PNG, 1200 by 900.
pub fn png(picture: &Picture, theme: Option<Theme>) -> Result<Vec<u8>, Error> {
    /// How many points make a unit; two by two of them make one of the picture, which smooths its edges.
    const FINE: u32 = 3;
    let (width, height) = (WIDTH * FINE, HEIGHT * FINE);
    let mut points = GROUNDS.take();
    points.0.resize(3 * width as usize * height as usize, 0);
    let points = &mut points.0;
    let ground = BitMapBackend::with_buffer(points, (width, height)).into_drawing_area();
    draw(&ground, picture, theme.unwrap_or(Theme::Light), FINE)?;
    ground.present()?;
    drop(ground);
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, width / 2, height / 2);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    let failed = |error: png::EncodingError| Error(error.to_string());
    let mut writer = encoder.write_header().map_err(failed)?;
    writer.write_image_data(&halved(points, width as usize)).map_err(failed)?;
    writer.finish().map_err(failed)?;
    Ok(bytes)
}

/// Each two by two points made one, by their mean.
fn halved(points: &[u8], width: usize) -> Vec<u8> {
    let row = 3 * width;
    let mut halved = Vec::with_capacity(points.len() / 4);
    for pair in points.chunks_exact(2 * row) {
        let (upper, lower) = pair.split_at(row);
        for (above, below) in upper.chunks_exact(6).zip(lower.chunks_exact(6)) {
            for channel in 0..3 {
                let four = [above[channel], above[channel + 3], below[channel], below[channel + 3]];
                let mean = four.into_iter().map(u16::from).sum::<u16>() / 4;
                halved.push(u8::try_from(mean).unwrap_or(u8::MAX));
            }
        }
    }
    halved
}

type Canvas<'a, DB> = DrawingArea<DB, Shift>;

/// Draws on a ground of `fine` points a unit.
fn draw<DB: DrawingBackend>(
    ground: &Canvas<'_, DB>,
    picture: &Picture,
    theme: Theme,
    fine: u32,
) -> Result<(), DrawingAreaErrorKind<DB::ErrorType>> {
    // Without the font letters are left out by the library as an error, which is a fault of ours.
    let _ = *FONT_KNOWN;
    let units = |n: u32| n * fine;
    let line = |ink: Ink, n: u32| ink.on(theme).stroke_width(units(n));
    let letters = |ink: Ink, size: u32| (FAMILY, units(size)).into_font().color(&ink.on(theme));
    let under = Pos::new(HPos::Left, VPos::Top);
    ground.fill(&GROUND.on(theme))?;

    let mut written = 10;
    ground.draw(&Text::new(picture.title.clone(), at(16, written, fine), letters(LETTERS, 26)))?;
    written += 36;
    for (n, text) in picture.told.iter().enumerate() {
        let ink = if n < picture.told.len() - picture.alarm { LETTERS } else { MINIMUM };
        ground.draw(&Text::new(text.clone(), at(16, written, fine), letters(ink, 21)))?;
        written += 27;
    }
    legend(ground, theme, fine, written + 4)?;
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
        chart.draw_series([Polygon::new(band, BAND.on(theme).filled())])?;
    }
    if let Some(minimum) = picture.minimum_mm.filter(|minimum| *minimum <= picture.top_mm) {
        chart.draw_series([dashes(vec![(0.0, minimum), (days, minimum)], line(MINIMUM, 2), units(10))])?;
        let text = format!("minimum {minimum:.0} mm");
        let style = letters(MINIMUM, 19).pos(under);
        let label = EmptyElement::at((0.0, minimum)) + Text::new(text, at(8, 5, fine), style);
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
        chart.draw_series([TriangleMarker::new(tip, units(9), REFILL.on(theme).filled())])?;
    }
    let size = if picture.readings.len() > 120 { 2 } else { 5 };
    chart.draw_series(
        picture.readings.iter().map(|spot| Circle::new(*spot, units(size), READING.on(theme).filled())),
    )?;
    Ok(())
}

/// A place on the ground, in units.
fn at(x: i32, y: i32, fine: u32) -> (i32, i32) {
    let fine = fine.cast_signed();
    (x * fine, y * fine)
}

fn dashes(
    points: Vec<(f64, f64)>,
    style: ShapeStyle,
    length: u32,
) -> DashedPathElement<std::vec::IntoIter<(f64, f64)>, u32> {
    DashedPathElement::new(points, length, length / 2 + 1, style)
}

/// The curve between refills.
fn stretches(curve: &[(f64, CurvePoint)]) -> impl Iterator<Item = &[(f64, CurvePoint)]> {
    curve.chunk_by(|_, next| !next.1.begins).filter(|stretch| !stretch.is_empty())
}

/// What the signs mean, in one line at that height.
fn legend<DB: DrawingBackend>(
    ground: &Canvas<'_, DB>,
    theme: Theme,
    fine: u32,
    y: i32,
) -> Result<(), DrawingAreaErrorKind<DB::ErrorType>> {
    let units = |n: u32| n * fine;
    let middle = y + 7;
    let text = |x: i32, text: &'static str| {
        let style = (FAMILY, units(19)).into_font().color(&LETTERS.on(theme));
        Text::new(text, at(x, y, fine), style)
    };
    ground.draw(&Circle::new(at(24, middle, fine), units(5), READING.on(theme).filled()))?;
    ground.draw(&text(38, "reading"))?;
    ground.draw(&TriangleMarker::new(at(146, middle + 2, fine), units(9), REFILL.on(theme).filled()))?;
    ground.draw(&text(162, "refill"))?;
    let stroke = LEVEL.on(theme).stroke_width(units(3));
    ground.draw(&PathElement::new(vec![at(244, middle, fine), at(276, middle, fine)], stroke))?;
    ground.draw(&text(284, "level"))?;
    let band = [at(362, middle - 9, fine), at(402, middle + 9, fine)];
    ground.draw(&Rectangle::new(band, BAND.on(theme).filled()))?;
    ground.draw(&PathElement::new(vec![at(362, middle, fine), at(376, middle, fine)], stroke))?;
    ground.draw(&PathElement::new(vec![at(384, middle, fine), at(398, middle, fine)], stroke))?;
    ground.draw(&text(410, "forecast, in 9 of 10 cases"))
}
