//! A bench described by five answers.
//!
//! In: answers as a person types them. Out: the text of a bench file with
//! comments ([`bench_text`]), in which what was assumed is listed as assumed. This
//! module asks nobody and knows no files.

mod answer;
mod text;

pub use answer::{AnswerError, Answered, understand};
pub use text::bench_text;

/// What is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Topic {
    /// Vessel or balance, and its division.
    Vessel,
    /// Fluid and its density.
    Fluid,
    /// Pressure, and the gauge.
    Pressure,
    /// Supply voltage, and where it is measured.
    Supply,
    /// Injector driver.
    Driver,
}

/// A question about the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Question {
    /// What it is about.
    pub topic: Topic,
    /// The question.
    pub ask: &'static str,
    /// What the answer is for.
    pub purpose: &'static str,
    /// How an answer may look.
    pub examples: &'static str,
    /// The answer that is assumed where none is given.
    pub assumed: &'static str,
}

/// The five questions, in their order.
///
/// The assumed answers are what small shops have most often (common practice, no
/// source), except the density: n-heptane at 20 °C, from `tests/tables/pure_liquids.csv`.
pub const QUESTIONS: [Question; 5] = [
    Question {
        topic: Topic::Vessel,
        ask: "What is the fuel read in: kind, capacity, smallest division?",
        purpose: "It decides how well one reading is known, and with that most of the doubt. With \
                  its tolerance, the doubt of the flow itself.",
        examples: "cylinder, 100 mL, 1 mL  |  burette, 50 mL, 0.1 mL, ±0.05 mL  |  balance, 0.1 g",
        assumed: "graduated cylinder, 100 mL, 1 mL",
    },
    Question {
        topic: Topic::Fluid,
        ask: "Which fluid, its density, and at which temperature?",
        purpose: "Volume becomes mass, and mass volume, only by the density.",
        examples: "n-heptane, 0.684 g/mL, 20 C  |  test fluid, 0.76 g/mL",
        assumed: "n-heptane, 0.684 g/mL, 20 C",
    },
    Question {
        topic: Topic::Pressure,
        ask: "Which differential pressure, and how well does the gauge tell it?",
        purpose: "Flow goes with the root of the pressure: 1 % of pressure is 0.5 % of flow, for \
                  the whole set alike.",
        examples: "300 kPa, ±5 kPa (limits of error)  |  3 bar, 0.02 bar (standard uncertainty)",
        assumed: "300 kPa, ±6 kPa",
    },
    Question {
        topic: Topic::Supply,
        ask: "Which supply voltage, how well is it known, and is it measured at the injector or at the supply?",
        purpose: "Dead time falls with voltage; a harness between supply and injector takes some \
                  of it away.",
        examples: "14 V, ±0.1 V, injector  |  13.8 V, supply",
        assumed: "14 V, ±0.2 V, supply",
    },
    Question {
        topic: Topic::Driver,
        ask: "Which driver: saturated, or peak-and-hold with its currents?",
        purpose: "A dead time belongs to its driver: another one opens the same injector at \
                  another time.",
        examples: "saturated  |  peak-and-hold, 4 A, 1 A",
        assumed: "saturated",
    },
];
