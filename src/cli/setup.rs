//! `setup`: five questions, one bench file.

use std::io::{self, BufRead, IsTerminal, Write};
use std::path::PathBuf;

use clap::Args;

use super::files::{failed, refuse_existing, shown, write_whole};
use super::{Failure, Outcome, print};
use crate::capture::read_bench;
use crate::setup::{Answered, QUESTIONS, Question, Topic, bench_text, understand};

pub(super) const HELP: &str = "\
Examples:
  meniscus setup                                   asks, and writes bench.toml here
  meniscus setup --vessel \"cylinder, 100 mL, 1 mL\" --pressure \"3 bar, ±0.05 bar\" -o shop/bench.toml
  meniscus setup --assume                          asks nothing; everything is marked as assumed

Beside a capture, bench.toml is found by itself. An answer is parts with commas between them, in any
order; `-` leaves it open. Limits of error are written ±5 kPa.";

/// Arguments of `setup`.
#[derive(Debug, Args)]
pub struct SetupArgs {
    /// Vessel or balance: kind, capacity, smallest division
    #[arg(long, value_name = "ANSWER")]
    pub vessel: Option<String>,
    /// Fluid: name, density, temperature of the density
    #[arg(long, value_name = "ANSWER")]
    pub fluid: Option<String>,
    /// Differential pressure, and how well the gauge tells it
    #[arg(long, value_name = "ANSWER")]
    pub pressure: Option<String>,
    /// Supply voltage, how well it is known, and where it is measured
    #[arg(long, value_name = "ANSWER")]
    pub supply: Option<String>,
    /// Driver: saturated, or peak-and-hold with its currents
    #[arg(long, value_name = "ANSWER")]
    pub driver: Option<String>,
    /// Ask nothing: assume what is not stated by an option, and mark it as assumed
    #[arg(long)]
    pub assume: bool,
    /// Write here
    #[arg(short, long, default_value = "bench.toml", value_name = "FILE.toml")]
    pub output: PathBuf,
    /// Overwrite the file if it exists
    #[arg(long)]
    pub replace: bool,
}

impl SetupArgs {
    fn stated(&self, topic: Topic) -> Option<&str> {
        match topic {
            Topic::Vessel => &self.vessel,
            Topic::Fluid => &self.fluid,
            Topic::Pressure => &self.pressure,
            Topic::Supply => &self.supply,
            Topic::Driver => &self.driver,
        }
        .as_deref()
    }
}

/// Runs the command.
pub(super) fn run(args: &SetupArgs) -> Result<Outcome, Failure> {
    // Before the questions: nobody answers five of them for nothing.
    refuse_existing(&args.output, args.replace)?;
    let mut answers = Vec::new();
    let mut open = Vec::new();
    for question in &QUESTIONS {
        match args.stated(question.topic) {
            Some(text) => answers.push(by_option(question, text)?),
            None if args.assume => answers.push(assumed(question)),
            None => open.push(question),
        }
    }
    let by_options = !answers.is_empty();
    if !open.is_empty() && io::stdin().is_terminal() {
        let mut talk = anstream::stderr();
        answers.extend(ask(&open, &mut io::stdin().lock(), &mut talk)?);
    } else if !open.is_empty() && !by_options {
        return Err(Failure::other(
            "setup asks on a terminal, and standard input is none",
            "state the answers (--vessel, --fluid, --pressure, --supply, --driver), or take the usual ones as assumed with --assume",
        ));
    }
    let text = bench_text(&answers);
    // What is written must be what is read.
    read_bench(&shown(&args.output), &text).map_err(Failure::Faults)?;
    write_whole(&args.output, text.as_bytes())?;
    print(&summary(args, &answers))
}

fn assumed(question: &Question) -> Answered {
    Answered {
        topic: question.topic,
        values: understand(question.topic, question.assumed).unwrap_or_default(),
        assumed: true,
    }
}

fn by_option(question: &Question, text: &str) -> Result<Answered, Failure> {
    let values = if text.trim() == "-" {
        Vec::new()
    } else {
        understand(question.topic, text).map_err(|error| {
            let option = question.topic.section();
            Failure::other(
                format!("--{option}: {error}"),
                &format!("as --{option} \"{}\"", question.assumed),
            )
        })?
    };
    Ok(Answered {
        topic: question.topic,
        values,
        assumed: false,
    })
}

/// Asks until each answer is understood. An empty line takes what is assumed.
fn ask(
    questions: &[&Question],
    input: &mut impl BufRead,
    talk: &mut impl Write,
) -> Result<Vec<Answered>, Failure> {
    writeln!(
        talk,
        "Return takes the answer in brackets and marks it as assumed; - leaves it open."
    )?;
    let mut answers = Vec::new();
    for (at, question) in questions.iter().enumerate() {
        writeln!(
            talk,
            "\n{} of {}. {}",
            at + 1,
            questions.len(),
            question.ask
        )?;
        writeln!(talk, "   {}", question.purpose)?;
        writeln!(talk, "   as: {}", question.examples)?;
        answers.push(loop {
            write!(talk, "   [{}] ", question.assumed)?;
            talk.flush()?;
            let mut line = String::new();
            let read = input.read_line(&mut line);
            let stdin = PathBuf::from("standard input");
            if read.map_err(|error| failed(&stdin, error))? == 0 {
                return Err(Failure::other(
                    "the answers ended before the questions",
                    "nothing was written; run it again, or state the answers by options",
                ));
            }
            match line.trim() {
                "" => break assumed(question),
                "-" => {
                    break Answered {
                        topic: question.topic,
                        values: Vec::new(),
                        assumed: false,
                    };
                }
                text => match understand(question.topic, text) {
                    Ok(values) => {
                        break Answered {
                            topic: question.topic,
                            values,
                            assumed: false,
                        };
                    }
                    Err(error) => writeln!(talk, "   {error}")?,
                },
            }
        });
    }
    Ok(answers)
}

/// What stands in the file now, and what does not.
fn summary(args: &SetupArgs, answers: &[Answered]) -> String {
    let path = args.output.display();
    let mut text = format!("{path} written\n");
    let names = |wanted: &dyn Fn(&Question) -> bool| -> String {
        let list: Vec<&str> = QUESTIONS
            .iter()
            .filter(|q| wanted(q))
            .map(|q| q.topic.section())
            .collect();
        list.join(", ")
    };
    let answer = |q: &Question| answers.iter().find(|a| a.topic == q.topic);
    let assumed = names(&|q| answer(q).is_some_and(|a| a.assumed));
    let open = names(&|q| answer(q).is_none_or(|a| a.values.is_empty()));
    if !assumed.is_empty() {
        text.push_str(&format!(
            "Assumed, and marked so in the file: {assumed}. Correct them there.\n"
        ));
    }
    if !open.is_empty() {
        text.push_str(&format!("Left open: {open}.\n"));
    }
    text.push_str("Next: `meniscus sheet` for a sheet to write on; `meniscus fit` finds bench.toml beside the capture.\n");
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(typed: &str) -> Result<(Vec<Answered>, String), String> {
        let questions: Vec<&Question> = QUESTIONS.iter().collect();
        let mut talk = Vec::new();
        let answers = ask(&questions, &mut typed.as_bytes(), &mut talk);
        let talk = String::from_utf8(talk).unwrap();
        answers.map(|a| (a, talk)).map_err(|e| e.to_string())
    }

    #[test]
    fn each_question_is_asked_until_it_is_answered() {
        let (answers, talk) =
            asked("bucket\nburette, 50 mL, 0.1 mL\n\n-\n13.8 V\nsaturated\n").unwrap();
        assert_eq!(answers.len(), 5);
        assert!(talk.contains("`bucket` is not understood"));
        assert_eq!(answers[0].values[0], ("kind", "burette".to_owned()));
        let marks: Vec<bool> = answers.iter().map(|a| a.assumed).collect();
        assert_eq!(marks, [false, true, false, false, false]);
        assert!(answers[2].values.is_empty());
        for question in QUESTIONS {
            assert!(talk.contains(question.ask) && talk.contains(question.purpose));
        }
    }

    #[test]
    fn an_end_before_the_last_answer_is_an_error() {
        assert!(asked("\n\n").unwrap_err().contains("ended before"));
    }
}
