//! The bench file as text, with comments that say what each line is for.

use super::{Answered, QUESTIONS, Topic};

/// Keys that were not asked for, as comments to be opened: key, example, meaning.
type Further = (&'static str, &'static str, &'static str);

const VESSEL: &[Further] = &[
    (
        "name",
        "\"C1\"",
        "as in the column vessel; for several, one [[vessel]] each",
    ),
    (
        "tolerance",
        "\"0.5 mL\"",
        "largest error of the whole scale, from its class",
    ),
    (
        "reading_offset_uncertainty",
        "\"0.3 mL\"",
        "what a reading gains or loses whatever its size: wetting, the last drip",
    ),
    (
        "reading_time",
        "\"20 s\"",
        "to let the level settle and read it; for `plan`",
    ),
    (
        "draining_time",
        "\"40 s\"",
        "to empty and drain, or to tare; for `plan`",
    ),
];
/// The section that no question is about: all of it is for `plan`.
const RIG: &[Further] = &[
    ("shortest_period", "\"5 ms\"", "that the bench can run"),
    ("longest_period", "\"100 ms\"", "that the bench can run"),
    (
        "coil_on",
        "\"50 %\"",
        "largest share of the time that the coil may be on, rests counted",
    ),
    (
        "voltage_time",
        "\"30 s\"",
        "to set another voltage and let it settle",
    ),
    (
        "pressure_time",
        "\"2 min\"",
        "to set another pressure and let it settle",
    ),
];
const FLUID: &[Further] = &[(
    "expansion",
    "\"0.00123 1/K\"",
    "relative expansion by volume",
)];
const PRESSURE: &[Further] = &[(
    "uncertainty",
    "\"3 kPa\"",
    "standard uncertainty of the gauge",
)];
const SUPPLY: &[Further] = &[
    ("uncertainty", "\"0.05 V\"", "standard uncertainty"),
    ("measured_at", "\"injector\"", "or \"supply\""),
    (
        "harness_resistance",
        "\"0.05 ohm\"",
        "between supply and injector",
    ),
];
const DRIVER: &[Further] = &[];

impl Topic {
    /// Its section in the bench file.
    pub fn section(self) -> &'static str {
        match self {
            Topic::Vessel => "vessel",
            Topic::Fluid => "fluid",
            Topic::Pressure => "pressure",
            Topic::Supply => "supply",
            Topic::Driver => "driver",
        }
    }

    fn further(self) -> &'static [Further] {
        match self {
            Topic::Vessel => VESSEL,
            Topic::Fluid => FLUID,
            Topic::Pressure => PRESSURE,
            Topic::Supply => SUPPLY,
            Topic::Driver => DRIVER,
        }
    }
}

/// Writes the bench file. What was assumed is named in the list `assumed` on top
/// and marked on its line; what is not known is left out; what could be added
/// stands there as a comment.
pub fn bench_text(answers: &[Answered]) -> String {
    let mut text = String::from(
        "# The bench. Correct a line when you know better; quantities are text with their unit.\n",
    );
    let assumed: Vec<String> = answers
        .iter()
        .filter(|a| a.assumed)
        .flat_map(|a| {
            a.values
                .iter()
                .map(|(key, _)| quoted(&format!("{}.{key}", a.topic.section())))
        })
        .collect();
    if !assumed.is_empty() {
        text.push_str(
            "# Nobody stated these: results say so until you take them off this list.\n\
             assumed = [\n",
        );
        for name in assumed {
            text.push_str(&format!("  {name},\n"));
        }
        text.push_str("]\n");
    }
    for question in QUESTIONS {
        let answer = answers.iter().find(|a| a.topic == question.topic);
        text.push_str(&section(question.topic, question.purpose, answer));
    }
    text.push_str(
        "\n# What the rig can run and how long things take: `plan` counts with it.\n# [rig]\n",
    );
    text.push_str(&comments(RIG));
    text
}

fn section(topic: Topic, purpose: &str, answer: Option<&Answered>) -> String {
    let values = answer.map_or(&[][..], |a| &a.values);
    let mark = if answer.is_some_and(|a| a.assumed) {
        "  # assumed"
    } else {
        ""
    };
    let mut text = String::from("\n");
    for line in folded(purpose, 90) {
        text.push_str(&format!("# {line}\n"));
    }
    if values.is_empty() {
        text.push_str(&format!("# Not known.\n# [{}]\n", topic.section()));
    } else {
        text.push_str(&format!("[{}]\n", topic.section()));
    }
    for (key, value) in values {
        text.push_str(&format!("{key} = {}{mark}\n", quoted(value)));
    }
    let open = |further: &&Further| !values.iter().any(|(known, _)| *known == further.0);
    text.push_str(&comments(topic.further().iter().filter(open)));
    text
}

/// Keys to be opened, one a line.
fn comments<'a>(further: impl IntoIterator<Item = &'a Further>) -> String {
    further
        .into_iter()
        .map(|(key, example, meaning)| format!("# {key} = {example}  # {meaning}\n"))
        .collect()
}

/// A TOML basic string.
fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            c if c.is_control() => out.push_str(&format!("\\u{:04X}", c as u32)),
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

/// Words in lines of at most `width` characters.
fn folded(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let line = lines
            .last_mut()
            .expect("one line stands there from the start");
        if !line.is_empty() && line.chars().count() + 1 + word.chars().count() > width {
            lines.push(word.to_owned());
        } else {
            if !line.is_empty() {
                line.push(' ');
            }
            line.push_str(word);
        }
    }
    lines
}
