//! Indented JSON as serde_json writes it, from any depth on and with a line's indent in one piece.

use std::io::{self, Write};

use serde::Serialize;
use serde_json::Serializer;
use serde_json::ser::Formatter;

/// A comma, a line break and the indent of [`DEEPEST`] levels.
const LINE: &[u8; 2 + 2 * DEEPEST] = b",\n                                ";
/// Levels that stand in [`LINE`]; what lies deeper is indented level by level.
const DEEPEST: usize = 16;

/// Appends `value` to `text` as it stands `depth` levels deep in a document.
pub(super) fn append<T: Serialize>(text: &mut Vec<u8>, value: &T, depth: usize) {
    let formatter = Indented {
        depth,
        empty: false,
    };
    value
        .serialize(&mut Serializer::with_formatter(text, formatter))
        .expect("string keys and finite numbers only, and memory takes any of them");
}

struct Indented {
    depth: usize,
    /// Whether nothing stands yet in the list that was begun last.
    empty: bool,
}

impl Indented {
    fn begin<W: ?Sized + Write>(&mut self, writer: &mut W, bracket: &[u8]) -> io::Result<()> {
        self.depth += 1;
        self.empty = true;
        writer.write_all(bracket)
    }

    fn end<W: ?Sized + Write>(&mut self, writer: &mut W, bracket: &[u8]) -> io::Result<()> {
        self.depth -= 1;
        if !self.empty {
            self.line(writer, true)?;
        }
        writer.write_all(bracket)
    }

    /// Begins a line, after a comma unless it is the first.
    fn line<W: ?Sized + Write>(&mut self, writer: &mut W, first: bool) -> io::Result<()> {
        let from = usize::from(first);
        writer.write_all(&LINE[from..2 + 2 * self.depth.min(DEEPEST)])?;
        for _ in DEEPEST..self.depth {
            writer.write_all(b"  ")?;
        }
        Ok(())
    }
}

impl Formatter for Indented {
    fn begin_array<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.begin(writer, b"[")
    }

    fn end_array<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.end(writer, b"]")
    }

    fn begin_array_value<W: ?Sized + Write>(&mut self, to: &mut W, first: bool) -> io::Result<()> {
        self.line(to, first)
    }

    fn end_array_value<W: ?Sized + Write>(&mut self, _: &mut W) -> io::Result<()> {
        self.empty = false;
        Ok(())
    }

    fn begin_object<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.begin(writer, b"{")
    }

    fn end_object<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.end(writer, b"}")
    }

    fn begin_object_key<W: ?Sized + Write>(&mut self, to: &mut W, first: bool) -> io::Result<()> {
        self.line(to, first)
    }

    fn begin_object_value<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        writer.write_all(b": ")
    }

    fn end_object_value<W: ?Sized + Write>(&mut self, _: &mut W) -> io::Result<()> {
        self.empty = false;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_text_is_that_of_serde_json_at_any_depth() {
        let mut value =
            serde_json::json!([{}, [], {"a": [], "b": [{"c": null}], "d\n": {}}, 1.5, "x"]);
        for _ in 0..20 {
            let mut text = Vec::new();
            append(&mut text, &value, 0);
            let text = String::from_utf8(text).unwrap();
            assert_eq!(text, serde_json::to_string_pretty(&value).unwrap());
            // One level more: the text within brackets, each of its lines two further in.
            let mut deeper = Vec::new();
            append(&mut deeper, &value, 1);
            let deeper = String::from_utf8(deeper).unwrap();
            assert_eq!(deeper, text.replace('\n', "\n  "));
            value = serde_json::json!([value, 2]);
        }
    }
}
