//! What all pictures share: one drawing serves SVG and PNG.
//!
//! A picture is laid out 800 units wide with large letters, so that it can be read on a phone; both are drawn
//! finer than that, because the drawing library places by whole points. The PNG's letters come from a font inside the
//! program, an SVG's from the reader's own.

use std::sync::{Condvar, LazyLock, Mutex, PoisonError};

use axum::{
    http::{HeaderMap, HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use plotters::{
    coord::Shift,
    drawing::DrawingAreaErrorKind,
    element::DashedPathElement,
    prelude::*,
    style::{FontStyle, TextStyle, register_font},
};

use crate::{
    book::catalogue::version_of_bytes,
    http::{
        answer::{is_known, with_etag},
        markup::escaped,
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

/// Units from left to right.
pub const WIDTH: u32 = 800;
/// Units from top to bottom where a picture does not say.
pub const HEIGHT: u32 = 600;

/// `DejaVu` Sans, cut down; its licence stands beside it.
static FONT: &[u8] = include_bytes!("../../assets/fonts/DejaVuSans-subset.ttf");
/// The letters of pictures.
const FAMILY: &str = "sans-serif";

/// Registers the font once for the process.
static FONT_KNOWN: LazyLock<bool> = LazyLock::new(|| register_font(FAMILY, FontStyle::Normal, FONT).is_ok());

/// A colour on a light and on a dark ground. All of the first kind differ, so that an SVG can tell by them what a
/// thing is.
#[derive(Clone, Copy)]
pub struct Ink(RGBColor, RGBColor);

impl Ink {
    fn on(self, theme: Theme) -> RGBColor {
        match theme {
            Theme::Light => self.0,
            Theme::Dark => self.1,
        }
    }
}

/// What is drawn on.
pub const GROUND: Ink = Ink(RGBColor(255, 255, 255), RGBColor(18, 20, 23));
/// Letters, and what is measured.
pub const LETTERS: Ink = Ink(RGBColor(26, 26, 26), RGBColor(234, 234, 234));
/// Lines to read by.
pub const GRID: Ink = Ink(RGBColor(224, 224, 224), RGBColor(50, 55, 62));
/// An interval.
pub const BAND: Ink = Ink(RGBColor(196, 220, 243), RGBColor(30, 62, 94));
/// What is estimated.
pub const LEVEL: Ink = Ink(RGBColor(11, 92, 173), RGBColor(108, 182, 255));
/// What was observed.
pub const READING: Ink = Ink(RGBColor(10, 45, 90), RGBColor(207, 230, 255));
/// What somebody did.
pub const REFILL: Ink = Ink(RGBColor(38, 110, 44), RGBColor(129, 199, 132));
/// A bound, an alarm.
pub const MINIMUM: Ink = Ink(RGBColor(179, 38, 30), RGBColor(255, 138, 128));
/// Now, and axes.
pub const NOW: Ink = Ink(RGBColor(117, 117, 117), RGBColor(154, 154, 154));
const INKS: [Ink; 9] = [GROUND, LETTERS, GRID, BAND, LEVEL, READING, REFILL, MINIMUM, NOW];

/// What a picture is drawn on.
pub type Canvas<'a, DB> = DrawingArea<DB, Shift>;

/// What drawing on such a canvas can fail with.
pub type DrawingError<DB> = DrawingAreaErrorKind<<DB as DrawingBackend>::ErrorType>;

/// Something that can be drawn.
pub trait Drawing {
    /// What it is called.
    fn title(&self) -> &str;

    /// Units from top to bottom.
    fn height(&self) -> u32 {
        HEIGHT
    }

    /// Draws it on a ground that is filled already.
    fn draw<DB: DrawingBackend>(&self, ground: &Canvas<'_, DB>, pen: Pen) -> Result<(), DrawingError<DB>>;
}

/// In which colours and how fine is drawn.
#[derive(Clone, Copy)]
pub struct Pen {
    theme: Theme,
    fine: u32,
}

impl Pen {
    /// So many units in points.
    pub fn units(self, n: u32) -> u32 {
        n * self.fine
    }

    /// A colour on this ground.
    pub fn ink(self, ink: Ink) -> RGBColor {
        ink.on(self.theme)
    }

    /// A line of so many units.
    pub fn line(self, ink: Ink, n: u32) -> ShapeStyle {
        self.ink(ink).stroke_width(self.units(n))
    }

    /// Letters of that size in units.
    pub fn letters(self, ink: Ink, size: u32) -> TextStyle<'static> {
        (FAMILY, self.units(size)).into_font().color(&self.ink(ink))
    }

    /// A place on the ground, in units.
    pub fn at(self, x: i32, y: i32) -> (i32, i32) {
        let fine = self.fine.cast_signed();
        (x * fine, y * fine)
    }
}

fn drawn<DB: DrawingBackend>(
    ground: &Canvas<'_, DB>,
    picture: &impl Drawing,
    theme: Option<Theme>,
    fine: u32,
) -> Result<(), DrawingError<DB>> {
    // Without the font letters are left out by the library as an error, which is a fault of ours.
    let _ = *FONT_KNOWN;
    let pen = Pen { theme: theme.unwrap_or(Theme::Light), fine };
    ground.fill(&pen.ink(GROUND))?;
    picture.draw(ground, pen)
}

/// The answer with a picture: its bytes and their kind, unless the reader has them already.
pub fn answer(bytes: Vec<u8>, media: &'static str, headers: &HeaderMap) -> Response {
    let etag = format!("\"{}\"", version_of_bytes(&bytes));
    if is_known(headers, &etag) {
        return with_etag(StatusCode::NOT_MODIFIED.into_response(), &etag);
    }
    let mut response = bytes.into_response();
    let own = response.headers_mut();
    own.insert(header::CONTENT_TYPE, HeaderValue::from_static(media));
    own.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    // Opened by itself, a picture may style itself and do nothing else.
    let policy = HeaderValue::from_static("default-src 'none'; style-src 'unsafe-inline'");
    own.insert(header::CONTENT_SECURITY_POLICY, policy);
    with_etag(response, &etag)
}

/// The picture as SVG, 800 units wide.
pub fn svg(picture: &impl Drawing, theme: Option<Theme>) -> Result<Vec<u8>, Error> {
    /// How many points make a unit.
    const FINE: u32 = 4;
    let height = picture.height();
    let mut text = String::new();
    let ground = SVGBackend::with_string(&mut text, (WIDTH * FINE, height * FINE)).into_drawing_area();
    drawn(&ground, picture, theme, FINE)?;
    ground.present()?;
    drop(ground);
    let (own, asked) = (format!("width=\"{}\" height=\"{}\"", WIDTH * FINE, height * FINE), {
        format!("width=\"{WIDTH}\" height=\"{height}\" role=\"img\"")
    });
    let mut svg = text.replacen(&own, &asked, 1);
    let inside = svg.find('>').map_or(0, |end| end + 1);
    let style = if theme.is_none() { style() } else { String::new() };
    svg.insert_str(inside, &format!("\n<title>{}</title>{style}", escaped(picture.title())));
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

/// The picture as PNG, 1200 points wide.
pub fn png(picture: &impl Drawing, theme: Option<Theme>) -> Result<Vec<u8>, Error> {
    /// How many points make a unit; two by two of them make one of the picture, which smooths its edges.
    const FINE: u32 = 3;
    let (width, height) = (WIDTH * FINE, picture.height() * FINE);
    let mut points = GROUNDS.take();
    points.0.resize(3 * width as usize * height as usize, 0);
    let points = &mut points.0;
    let ground = BitMapBackend::with_buffer(points, (width, height)).into_drawing_area();
    drawn(&ground, picture, theme, FINE)?;
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

/// Text in lines of at most so many characters, broken at spaces.
pub fn wrapped(text: &str, longest: usize) -> Vec<String> {
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

/// A line of dashes of that length in points.
pub fn dashes<P: Clone>(
    points: Vec<P>,
    style: ShapeStyle,
    length: u32,
) -> DashedPathElement<std::vec::IntoIter<P>, u32> {
    DashedPathElement::new(points, length, length / 2 + 1, style)
}
