//! A mapping file as it is written: what is said, and what is asked in commented lines.

/// One statement of a section.
#[derive(Debug, Clone)]
pub(super) enum Line {
    /// A key with its value in TOML.
    Say(String, String),
    /// What the sheet does not say: the lines of which one is to be taken.
    Ask(String, Vec<(String, String)>),
    /// What the sheet does not say and only a person can write.
    Fill(String, Vec<String>),
    /// A comment.
    Remark(String),
}

impl Line {
    /// Says a value where one key fits, else asks which of them it is.
    pub fn of(keys: &[String], value: &str, question: impl FnOnce() -> String) -> Self {
        let with_value = |key: &String| (key.clone(), value.to_owned());
        match keys {
            [one] => Self::Say(one.clone(), value.to_owned()),
            several => Self::Ask(question(), several.iter().map(with_value).collect()),
        }
    }
}

/// A mapping file to be written.
#[derive(Debug, Clone, Default)]
pub(super) struct Draft {
    /// What stands above the sections.
    pub top: Vec<Line>,
    /// `[columns]`.
    pub columns: Vec<Line>,
    /// `[labels]`.
    pub labels: Vec<Line>,
    /// `[constants]`.
    pub constants: Vec<Line>,
}

/// How open lines are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Open {
    /// As comments, for a person to choose.
    Asked,
    /// The first of each taken, to show rows before anybody chose.
    FirstTaken,
}

impl Draft {
    fn lines(&self) -> impl Iterator<Item = &Line> {
        let lists = [&self.top, &self.columns, &self.labels, &self.constants];
        lists.into_iter().flatten()
    }

    /// What is asked, in the order of the file.
    pub fn questions(&self) -> Vec<String> {
        let asked = self.lines().filter_map(|line| match line {
            Line::Ask(question, _) | Line::Fill(question, _) => Some(question.clone()),
            Line::Say(..) | Line::Remark(_) => None,
        });
        asked.collect()
    }

    /// Keys of which a line is to be taken.
    pub fn asked_keys(&self) -> Vec<String> {
        let mut keys = Vec::new();
        for line in self.lines() {
            if let Line::Ask(_, options) = line {
                keys.extend(options.iter().map(|(key, _)| key.clone()));
            }
        }
        keys
    }

    /// The text of the file.
    pub fn text(&self, of: &str, open: Open) -> String {
        let questions = self.questions().len();
        let mut text = format!(
            "# How {} is read; proposed by looking at it. Correct what is wrong.\n",
            comment(of)
        );
        if questions > 0 {
            let lines = if questions == 1 {
                "1 question is"
            } else {
                &format!("{questions} questions are")
            };
            text.push_str(&format!("# {lines} open: look for \"# ?\", and take away the \"# \" before the line that is right.\n"));
        }
        section(&mut text, None, &self.top, open);
        section(&mut text, Some("columns"), &self.columns, open);
        section(&mut text, Some("labels"), &self.labels, open);
        section(&mut text, Some("constants"), &self.constants, open);
        text
    }
}

fn section(text: &mut String, name: Option<&str>, lines: &[Line], open: Open) {
    if lines.is_empty() {
        return;
    }
    text.push('\n');
    if let Some(name) = name {
        text.push_str(&format!("[{name}]\n"));
    }
    for line in lines {
        match line {
            Line::Say(key, value) => text.push_str(&format!("{key} = {value}\n")),
            Line::Remark(words) => text.push_str(&format!("# {}\n", comment(words))),
            Line::Ask(question, options) => {
                text.push_str(&format!("# ? {}\n", comment(question)));
                for (at, (key, value)) in options.iter().enumerate() {
                    let mark = if open == Open::FirstTaken && at == 0 {
                        ""
                    } else {
                        "# "
                    };
                    text.push_str(&format!("{mark}{key} = {value}\n"));
                }
            }
            Line::Fill(question, keys) => {
                text.push_str(&format!("# ? {}\n", comment(question)));
                for key in keys {
                    text.push_str(&format!("# {key} =\n"));
                }
            }
        }
    }
}

/// Text that cannot end its comment.
fn comment(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect()
}

/// A text as TOML.
pub(super) fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => quoted.extend(['\\', c]),
            '\t' => quoted.push_str("\\t"),
            c if c.is_control() => quoted.push_str(&format!("\\u{:04X}", u32::from(c))),
            c => quoted.push(c),
        }
    }
    quoted.push('"');
    quoted
}

/// Texts as a list, or as one where there is one.
pub(super) fn listed<T>(items: &[T], write: impl Fn(&T) -> String) -> String {
    match items {
        [one] => write(one),
        _ => {
            let all: Vec<String> = items.iter().map(write).collect();
            format!("[{}]", all.join(", "))
        }
    }
}
