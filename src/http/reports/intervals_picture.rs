//! Shares as a picture: a line for each group with its interval, and the whole beside them.

use plotters::{
    prelude::*,
    style::text_anchor::{HPos, Pos, VPos},
};

use crate::{
    domain::reports::proportion::Proportion,
    http::picture::{
        BAND, Canvas, Drawing, DrawingError, GRID, LETTERS, LEVEL, NOW, Pen, READING, WIDTH, dashes, wrapped,
    },
};

/// Groups that are drawn; the table has them all.
const MOST: usize = 60;

/// Characters of a group's name that have room.
const LONGEST: usize = 34;

/// What is drawn.
pub struct IntervalsPicture {
    title: String,
    told: Vec<String>,
    rows: Vec<(String, Proportion)>,
    whole: Proportion,
    left_out: usize,
}

/// Where the lines begin, and how far apart they are.
const LEFT: i32 = 330;
const RIGHT: i32 = 770;
const STEP: i32 = 34;

impl IntervalsPicture {
    /// The groups in their order, never by their shares: that would be a league table of chance.
    pub fn of(title: &str, definition: &str, whole: Proportion, groups: Vec<(String, Proportion)>) -> Self {
        let left_out = groups.len().saturating_sub(MOST);
        let rows = groups.into_iter().take(MOST).map(|(name, share)| {
            let short = name.chars().count() > LONGEST;
            let name =
                if short { name.chars().take(LONGEST - 3).chain("...".chars()).collect() } else { name };
            (name, share)
        });
        Self { title: title.to_owned(), told: wrapped(definition, 84), rows: rows.collect(), whole, left_out }
    }

    fn top(&self) -> i32 {
        60 + 24 * i32::try_from(self.told.len()).unwrap_or(0)
    }

    fn bottom(&self) -> i32 {
        // The whole stands under the groups.
        self.top() + STEP * (i32::try_from(self.rows.len()).unwrap_or(0) + 1)
    }
}

/// Where a share stands from left to right.
fn across(share: f64) -> i32 {
    #[expect(clippy::cast_possible_truncation, reason = "a place on the ground")]
    let place = (f64::from(RIGHT - LEFT) * share.clamp(0.0, 1.0)).round() as i32;
    LEFT + place
}

impl Drawing for IntervalsPicture {
    fn title(&self) -> &str {
        &self.title
    }

    fn height(&self) -> u32 {
        self.bottom().unsigned_abs() + 96
    }

    fn draw<DB: DrawingBackend>(&self, ground: &Canvas<'_, DB>, pen: Pen) -> Result<(), DrawingError<DB>> {
        ground.draw(&Text::new(self.title.clone(), pen.at(16, 10), pen.letters(LETTERS, 26)))?;
        for (n, line) in self.told.iter().enumerate() {
            let y = 46 + 24 * i32::try_from(n).unwrap_or(0);
            ground.draw(&Text::new(line.clone(), pen.at(16, y), pen.letters(LETTERS, 17)))?;
        }
        let (top, bottom) = (self.top(), self.bottom());
        for tenth in 0..=5 {
            let share = f64::from(tenth) / 5.0;
            let x = across(share);
            let line = vec![pen.at(x, top), pen.at(x, bottom)];
            ground.draw(&PathElement::new(line, pen.line(GRID, 1)))?;
            let under = pen.letters(LETTERS, 17).pos(Pos::new(HPos::Center, VPos::Top));
            ground.draw(&Text::new(format!("{:.0} %", share * 100.0), pen.at(x, bottom + 8), under))?;
        }
        if let Some(whole) = self.whole.estimate {
            let line = vec![pen.at(across(whole), top), pen.at(across(whole), bottom)];
            ground.draw(&dashes(line, pen.line(NOW, 2), pen.units(8)))?;
        }
        let rows = self.rows.iter().map(|(name, share)| (name.as_str(), share));
        for (n, (name, share)) in rows.chain([("all", &self.whole)]).enumerate() {
            let y = top + STEP * i32::try_from(n).unwrap_or(0) + STEP / 2;
            row(ground, pen, y, name, share, n == self.rows.len())?;
        }
        let last = if self.left_out > 0 {
            format!("{} more groups are in the table. ", self.left_out)
        } else {
            String::new()
        };
        let below = "Bars: 95 % intervals (Wilson). Dashed: all. Grey: fewer than 30, too few to judge.";
        for (n, line) in wrapped(&format!("{last}{below}"), 92).into_iter().enumerate() {
            let y = bottom + 36 + 22 * i32::try_from(n).unwrap_or(0);
            ground.draw(&Text::new(line, pen.at(16, y), pen.letters(LETTERS, 16)))?;
        }
        Ok(())
    }
}

fn row<DB: DrawingBackend>(
    ground: &Canvas<'_, DB>,
    pen: Pen,
    y: i32,
    name: &str,
    share: &Proportion,
    whole: bool,
) -> Result<(), DrawingError<DB>> {
    let middle = |hpos| Pos::new(hpos, VPos::Center);
    let letters = pen.letters(LETTERS, 17);
    ground.draw(&Text::new(name.to_owned(), pen.at(16, y), letters.clone().pos(middle(HPos::Left))))?;
    let of = format!("{} of {}", share.numerator, share.denominator);
    ground.draw(&Text::new(of, pen.at(LEFT - 14, y), letters.pos(middle(HPos::Right))))?;
    let (Some(low), Some(estimate), Some(high)) = (share.low, share.estimate, share.high) else {
        return Ok(());
    };
    let few = share.judgement.is_some();
    let (bar, spot) = if few { (GRID, NOW) } else { (BAND, if whole { LEVEL } else { READING }) };
    let ends = [pen.at(across(low), y - 6), pen.at(across(high).max(across(low) + 1), y + 6)];
    ground.draw(&Rectangle::new(ends, pen.ink(bar).filled()))?;
    ground.draw(&Circle::new(pen.at(across(estimate), y), pen.units(5), pen.ink(spot).filled()))?;
    debug_assert!(across(high) <= WIDTH.cast_signed(), "within the picture");
    Ok(())
}
