//! A bank of filters that does not believe every reading.
//!
//! A reading that was not predicted, more than [`GATE_SD`] standard deviations off, is neither believed nor thrown away:
//! from there on there are two banks, one that leaves it out and one that supposes it to be right, and **the next
//! reading decides** which of them predicted it better. A slip of the rod is thereby forgotten; a real change is taken
//! over with the second reading that shows it. Until then every answer is half the one, half the other.

use std::borrow::Cow;

use crate::domain::nitrogen::filter::{Bank, Sighting};

/// A reading further from what was predicted than this is doubted.
pub const GATE_SD: f64 = 3.5;
/// A loss that rose may have risen to any of these multiples.
const RISEN: [f64; 3] = [2.0, 4.0, 8.0];

/// What a reading told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ReadingClass {
    /// The first since a refill, or ever.
    First,
    /// About what was predicted.
    Expected,
    /// Not what was predicted; the next reading decides.
    Doubted {
        /// Whether it is too low.
        low: bool,
    },
    /// It bears out the doubted one before, and what that one supposes is taken over.
    TakenOver {
        /// Whether that one was too low.
        low: bool,
    },
    /// Too low, as the one before, and lower still than that one supposes.
    LowerStill,
}

/// A bank, and beside it the one that believes the last reading when that is in doubt.
#[derive(Clone, Debug)]
pub struct Track {
    bank: Bank,
    rival: Option<Alternative>,
    /// Readings believed since the last refill, the first of them included.
    believed: usize,
    /// Readings ever from which the loss was learned.
    learned: usize,
}

#[derive(Clone, Debug)]
struct Alternative {
    bank: Bank,
    low: bool,
}

impl Track {
    /// Before the first reading.
    pub fn new(bank: Bank) -> Self {
        Self { bank, rival: None, believed: 0, learned: 0 }
    }

    /// Time passes and the tank is opened so many times.
    pub fn pass(&mut self, days: f64, openings: f64) {
        self.bank.pass(days, openings);
        if let Some(rival) = &mut self.rival {
            rival.bank.pass(days, openings);
        }
    }

    /// The level is not known any more.
    pub fn refill(&mut self) {
        self.believed = 0;
    }

    /// The tank was repaired or replaced: its loss may be another, give or take so much as a logarithm.
    pub fn repaired(&mut self, sd_log: f64) {
        self.bank = self.bank.shifted(0.0, sd_log);
        if let Some(rival) = &mut self.rival {
            rival.bank = rival.bank.shifted(0.0, sd_log);
        }
    }

    /// The last reading is in doubt no more: it is left out.
    pub fn settle_doubt(&mut self) {
        self.rival = None;
    }

    /// Goes on with another bank at the same level.
    pub fn adopt(&mut self, bank: Bank) {
        self.bank = bank;
    }

    /// A level was read.
    pub fn read(&mut self, seen: Sighting) -> ReadingClass {
        if self.believed == 0 {
            return self.first(seen);
        }
        let lower_by_sd = self.bank.lower_by_sd(seen);
        let low = lower_by_sd > 0.0;
        let expected = lower_by_sd.abs() <= GATE_SD;
        if let Some(rival) = self.rival.take() {
            let rival_expects = rival.bank.lower_by_sd(seen).abs() <= GATE_SD
                && rival.bank.likelihood(seen) > self.bank.likelihood(seen);
            if rival_expects {
                return self.take_over(rival, seen);
            }
            if !expected && low && rival.low {
                // Lower still than the doubted one: both say that more was lost.
                self.believe(self.bank.supposing(seen, &RISEN));
                return ReadingClass::LowerStill;
            }
        }
        if expected {
            self.bank.learn(seen);
            self.believed += 1;
            self.learned += 1;
            return ReadingClass::Expected;
        }
        let bank = self.bank.supposing(seen, if low { &RISEN } else { &[] });
        self.rival = Some(Alternative { bank, low });
        ReadingClass::Doubted { low }
    }

    /// The bank, or both halves of the doubt.
    pub fn bank(&self) -> Cow<'_, Bank> {
        self.rival.as_ref().map_or(Cow::Borrowed(&self.bank), |rival| Cow::Owned(self.bank.or(&rival.bank)))
    }

    /// The bank that leaves out a doubted reading.
    pub fn believed_bank(&self) -> &Bank {
        &self.bank
    }

    /// Whether the level is known.
    pub fn knows_level(&self) -> bool {
        self.believed > 0
    }

    /// Readings from which the loss was learned.
    pub fn learned(&self) -> usize {
        self.learned
    }

    /// Whether the last reading is in doubt, and if so whether it was too low.
    pub fn doubts(&self) -> Option<bool> {
        self.rival.as_ref().map(|rival| rival.low)
    }

    fn first(&mut self, seen: Sighting) -> ReadingClass {
        self.bank.anchor(seen);
        if let Some(rival) = &mut self.rival {
            // A doubt from before the refill stands.
            rival.bank.anchor(seen);
        }
        self.believed = 1;
        ReadingClass::First
    }

    /// The rival predicted this reading, the bank did not.
    fn take_over(&mut self, rival: Alternative, seen: Sighting) -> ReadingClass {
        let mut bank = rival.bank;
        bank.learn(seen);
        self.believe(bank);
        self.learned += 1;
        ReadingClass::TakenOver { low: rival.low }
    }

    fn believe(&mut self, bank: Bank) {
        self.bank = bank;
        self.believed = 2;
    }
}
