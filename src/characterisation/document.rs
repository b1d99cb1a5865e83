//! The document and its JSON.

use std::io::{self, Write};

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::capture::{Bench, InjectorCheck, Source};
use crate::finding::Finding;
use crate::fit::{Effect, SweepFit, SweepLine};
use crate::matching::SetMatch;
use crate::surface::Surface;

use super::finite::{self, NotFinite};
use super::indent;

/// Name of the schema version that this program writes.
pub const SCHEMA_ID: &str = "characterisation-1";

/// The schema version, the only one there is so far.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum SchemaTag {
    /// Version 1.
    #[serde(rename = "characterisation-1")]
    V1,
}

/// Which program wrote the file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Tool {
    /// Name.
    pub name: String,
    /// Version.
    pub version: String,
}

/// One injector.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Injector {
    /// Id or serial number.
    pub id: String,
    /// Its sweeps.
    pub sweeps: Vec<SweepFit>,
    /// Its last stage over voltage and pressure; null where no sweep has flow and dead time.
    pub surface: Option<Surface>,
    /// Checks beside the flow, as the bench file states them.
    pub checks: Option<InjectorCheck>,
}

/// The whole file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Characterisation {
    /// Schema version.
    pub schema: SchemaTag,
    /// Program.
    pub tool: Tool,
    /// Captures it was made from.
    pub sources: Vec<Source>,
    /// The bench.
    pub bench: Bench,
    /// Shared effects.
    pub effects: Vec<Effect>,
    /// Injectors in order of first appearance.
    pub injectors: Vec<Injector>,
    /// Score of the set; null for a single injector.
    #[serde(rename = "match")]
    pub set_match: Option<SetMatch>,
    /// Doubts about the whole.
    pub findings: Vec<Finding>,
}

impl Characterisation {
    /// A file of these captures that says nothing yet, stamped with schema and program.
    pub fn blank(sources: Vec<Source>) -> Self {
        Self {
            schema: SchemaTag::V1,
            tool: Tool {
                name: env!("CARGO_PKG_NAME").to_owned(),
                version: env!("CARGO_PKG_VERSION").to_owned(),
            },
            sources,
            bench: Bench::default(),
            effects: Vec::new(),
            injectors: Vec::new(),
            set_match: None,
            findings: Vec::new(),
        }
    }
}

/// Largest characterisation file that is read, bytes.
pub const LARGEST_DOCUMENT: usize = 256 << 20;

/// Why a file is not a characterisation file of a known version.
#[derive(Debug, Error)]
pub enum ReadError {
    /// More bytes than are read.
    #[error("{bytes} bytes; at most {LARGEST_DOCUMENT} are read")]
    TooLarge {
        /// Size of the file.
        bytes: usize,
    },
    /// Not JSON, or not of this shape.
    #[error("not a {SCHEMA_ID} file: {0}")]
    Shape(#[from] serde_json::Error),
}

/// Writes the document as indented JSON with a final newline.
///
/// # Errors
/// [`NotFinite`] where a number is NaN or infinite; JSON has no such numbers
/// and serde_json would write null without a word.
pub fn to_json(document: &Characterisation) -> Result<String, NotFinite> {
    let mut text = Vec::new();
    let written = JsonText::of(document)?.write_to(&mut text);
    written.expect("memory takes any text");
    Ok(String::from_utf8(text).expect("serde_json writes text"))
}

/// The text of a document whose numbers are all finite. It is made while it is written: that of
/// a plant is long, and need not stand in memory.
pub(crate) struct JsonText<'a> {
    head: String,
    injectors: &'a [Injector],
    tail: String,
}

impl<'a> JsonText<'a> {
    /// Looks at every number of a document.
    ///
    /// # Errors
    /// As [`to_json`].
    pub fn of(document: &'a Characterisation) -> Result<Self, NotFinite> {
        let around = Characterisation {
            schema: document.schema,
            tool: document.tool.clone(),
            sources: document.sources.clone(),
            bench: document.bench.clone(),
            effects: document.effects.clone(),
            injectors: Vec::new(),
            set_match: document.set_match.clone(),
            findings: document.findings.clone(),
        };
        finite::check(&around)?;
        let injectors = &document.injectors;
        injectors
            .par_iter()
            .with_max_len(1)
            .try_for_each(|injector| {
                finite::check(injector).map_err(|error| error.under("injectors"))
            })?;
        let mut text = Vec::new();
        indent::append(&mut text, &around, 0);
        let text = String::from_utf8(text).expect("serde_json writes text");
        // A line break within a string is escaped: this stands in one place.
        let (head, tail) = text
            .split_once(INJECTORS)
            .expect("a document has a list of injectors");
        let after = if injectors.is_empty() { "" } else { "\n  " };
        Ok(Self {
            head: format!("{head}{INJECTORS}"),
            injectors,
            tail: format!("{after}{tail}\n"),
        })
    }

    /// Writes the text, as many injectors at once as there are threads, from room that is used
    /// again.
    ///
    /// # Errors
    /// Those of the writer.
    pub fn write_to(&self, out: &mut dyn Write) -> io::Result<()> {
        out.write_all(self.head.as_bytes())?;
        let mut texts = vec![Vec::new(); rayon::current_num_threads()];
        let mut first = true;
        for injectors in self.injectors.chunks(texts.len()) {
            for text in &mut texts {
                text.clear();
                text.extend_from_slice(if first { b"\n    " } else { b",\n    " });
                first = false;
            }
            let places = texts.par_iter_mut().zip(injectors);
            places.for_each(|(text, injector)| indent::append(text, injector, 2));
            for text in &texts[..injectors.len()] {
                out.write_all(text)?;
            }
        }
        out.write_all(self.tail.as_bytes())
    }
}

/// How the list of injectors begins.
const INJECTORS: &str = "\n  \"injectors\": [";

/// Appends the line of a sweep, with its line end.
///
/// # Errors
/// As [`to_json`].
pub fn write_line(line: &SweepLine<'_>, text: &mut Vec<u8>) -> Result<(), NotFinite> {
    finite::check(line)?;
    serde_json::to_writer(&mut *text, line)
        .expect("a line has string keys and finite numbers only, and memory takes any of them");
    text.push(b'\n');
    Ok(())
}

/// Reads a characterisation file.
///
/// # Errors
/// [`ReadError::TooLarge`]; [`ReadError::Shape`] with line and column where the text is not JSON, has an
/// unknown or missing field, or another schema version.
pub fn read(text: &str) -> Result<Characterisation, ReadError> {
    if text.len() > LARGEST_DOCUMENT {
        return Err(ReadError::TooLarge { bytes: text.len() });
    }
    Ok(serde_json::from_str(text)?)
}

/// The JSON Schema (2020-12) of the file, made from the types.
pub fn json_schema() -> serde_json::Value {
    schemars::schema_for!(Characterisation).to_value()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Injectors are written side by side and put together; serde_json's own text of the
    /// whole is what must come of it.
    #[test]
    fn the_parts_make_the_text_of_the_whole() {
        let mut document = Characterisation::blank(Vec::new());
        // More than are written at once, by any number of threads that tests run on.
        for k in 0..200 {
            if k < 4 || k == 199 {
                let whole = serde_json::to_string_pretty(&document).unwrap() + "\n";
                assert_eq!(to_json(&document), Ok(whole));
            }
            let id = ["H1", "\n  \"injectors\": []", "H3"][k % 3];
            document.injectors.push(Injector {
                id: id.to_owned(),
                sweeps: Vec::new(),
                surface: None,
                checks: None,
            });
        }
    }
}
