//! What is said on standard output: plain lines that a reader in the barn understands.

use std::io::{IsTerminal as _, Write as _};

use crate::demo::client::Answer;

/// Columns of a line.
const WIDTH: usize = 100;

/// Column at which what is told begins, behind its label.
const INDENT: usize = 13;

/// What goes with everything that opens a tank (OSHA, 29 CFR 1910.146, and the trade's safety notes).
pub const CAUTION: &str =
    "Nitrogen burns, and its gas displaces air: gloves, face shield, open doors; local codes go first.";

/// Says things, and remembers what was said.
pub struct Narrator {
    colour: bool,
    /// Cautions that were told and are not repeated.
    cautioned: Vec<String>,
    steps: usize,
    otherwise: usize,
}

/// How a label is set off on a terminal.
#[derive(Clone, Copy)]
enum Shade {
    Plain,
    Bold,
    Green,
    Red,
}

impl Narrator {
    /// Says things on standard output, in colour only to a terminal whose owner did not ask for none.
    pub fn new() -> Self {
        let colour = std::io::stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none();
        Self { colour, cautioned: Vec::new(), steps: 0, otherwise: 0 }
    }

    /// Lines by themselves.
    pub fn line(&self, text: &str) {
        for line in wrapped(text, WIDTH) {
            say(&self.shaded(&line, Shade::Plain));
        }
    }

    /// An empty line and a heading.
    pub fn heading(&self, text: &str) {
        say(&format!("\n{}", self.shaded(text, Shade::Bold)));
    }

    /// A step begins.
    pub fn step(&mut self, title: &str) {
        self.steps += 1;
        self.heading(&format!("{:2}  {title}", self.steps));
    }

    /// The step ended: as it was told beforehand, or otherwise.
    pub fn came_out(&mut self, outcome: anyhow::Result<String>) {
        match outcome {
            Ok(text) => self.labelled("as told", &text, Shade::Green),
            Err(error) => {
                self.otherwise += 1;
                self.labelled("OTHERWISE", &format!("{error:#}"), Shade::Red);
            }
        }
    }

    /// Sums the steps up; true when all of them came out as told.
    pub fn sum_up(&self) -> bool {
        let (steps, otherwise) = (self.steps, self.otherwise);
        let text = match otherwise {
            0 => format!("All {steps} steps came out as told."),
            _ => format!(
                "{otherwise} of {steps} steps came out OTHERWISE than told; look for OTHERWISE above."
            ),
        };
        self.heading(&text);
        otherwise == 0
    }

    /// Something that somebody does.
    pub fn does(&self, text: &str) {
        self.labelled("does", text, Shade::Plain);
    }

    /// What the service tells in its own words, and its status.
    pub fn say(&self, answer: &Answer, text: &str) {
        self.say_with("told", answer, text);
    }

    /// The same, by a label of its own.
    pub fn say_with(&self, label: &str, answer: &Answer, text: &str) {
        self.labelled(label, &format!("{text}  [{}]", unbroken(&answer.short())), Shade::Plain);
    }

    /// What an answer holds, by a label of its own.
    pub fn shows(&self, label: &str, text: &str) {
        self.labelled(label, text, Shade::Plain);
    }

    /// The warnings in an answer, if any.
    pub fn warnings(&self, answer: &Answer) {
        for warning in
            answer.body["warnings"].as_array().into_iter().flatten().filter_map(|text| text.as_str())
        {
            self.labelled("warning", warning, Shade::Plain);
        }
    }

    /// A caution, unless it was told before.
    pub fn caution(&mut self, text: &str) {
        self.once("caution", text);
    }

    /// Something that need not be told again.
    pub fn once(&mut self, label: &str, text: &str) {
        if !self.cautioned.iter().any(|say| say == text) {
            self.cautioned.push(text.to_owned());
            self.labelled(label, text, Shade::Plain);
        }
    }

    fn labelled(&self, label: &str, text: &str, shade: Shade) {
        let label = format!("   {label:<width$}", width = INDENT - 3);
        let mut lines = wrapped(text, WIDTH - INDENT).into_iter();
        say(&format!("{}{}", self.shaded(&label, shade), lines.next().unwrap_or_default()));
        for line in lines {
            say(&format!("{:INDENT$}{line}", ""));
        }
    }

    fn shaded(&self, text: &str, shade: Shade) -> String {
        let code = match shade {
            Shade::Plain => 0,
            Shade::Bold => 1,
            Shade::Green => 32,
            Shade::Red => 31,
        };
        if self.colour && code != 0 { format!("\x1b[{code}m{text}\x1b[0m") } else { text.to_owned() }
    }
}

/// Writes a line. A reader who has gone away (`| head`) is no reason to fail.
fn say(line: &str) {
    let mut out = std::io::stdout().lock();
    let _ = writeln!(out, "{}", line.trim_end().replace(UNBROKEN, " ")).and_then(|()| out.flush());
}

/// A blank at which no line is broken; written as an ordinary one.
const UNBROKEN: char = '\u{a0}';

fn unbroken(text: &str) -> String {
    text.replace(' ', &UNBROKEN.to_string())
}

/// The text in lines of at most `width` characters, broken between words.
fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_inclusive(' ') {
        let fits = |line: &String| line.chars().count() + word.trim_end().chars().count() <= width;
        match lines.last_mut() {
            Some(line) if line.is_empty() || fits(line) => line.push_str(word),
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_break_between_words() {
        assert_eq!(wrapped("one two three", 7), ["one two ", "three"]);
        assert_eq!(wrapped("a  b", 80), ["a  b"]);
        assert_eq!(wrapped("unbreakable", 4), ["unbreakable"]);
        assert_eq!(wrapped("", 4), [""]);
    }
}
