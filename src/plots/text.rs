//! Words on pictures and in reports: user text made visible and cut to fit.

use crate::words::Voice;

pub use crate::finding::visible;

/// Columns that a character takes, on the safe side: letters outside of Latin,
/// Greek and Cyrillic count twice, punctuation and symbols once.
pub(crate) fn columns(c: char) -> usize {
    match u32::from(c) {
        0..0x600 | 0x2000..0x2e80 => 1,
        _ => 2,
    }
}

/// Width of a character in a usual sans-serif, in thousandths of its size;
/// rounded up, because which font a reader has is not known.
fn thousandths(c: char) -> usize {
    match c {
        'W' | 'M' | 'm' | 'w' | '@' | '%' | '…' => 1000,
        'i' | 'j' | 'l' | 'I' | ' ' | '.' | ',' | ':' | ';' | '|' | '\'' => 400,
        'A'..='Z' => 780,
        _ => 650 * columns(c),
    }
}

/// Pixels that text takes at a font size, on the safe side.
pub(super) fn room(text: &str, size: f64) -> f64 {
    text.chars().map(thousandths).sum::<usize>() as f64 / 1000.0 * size
}

/// Shortens text to `pixels` at a font size by an ellipsis in its middle.
pub(super) fn fitted(text: &str, pixels: f64, size: f64) -> String {
    let room = (pixels / size * 1000.0) as usize;
    cut_middle(text, room, thousandths)
}

/// Shortens text to `width` columns by an ellipsis in its middle.
pub(crate) fn shortened(text: &str, width: usize) -> String {
    cut_middle(text, width, columns)
}

fn cut_middle(text: &str, width: usize, columns: fn(char) -> usize) -> String {
    if text.chars().map(columns).sum::<usize>() <= width {
        return text.to_owned();
    }
    let half = width.saturating_sub(columns('…')) / 2;
    let take = |chars: &mut dyn Iterator<Item = char>| {
        let mut left = half;
        let mut taken = Vec::new();
        for c in chars {
            if columns(c) > left {
                break;
            }
            left -= columns(c);
            taken.push(c);
        }
        taken
    };
    let head: String = take(&mut text.chars()).into_iter().collect();
    let tail: String = take(&mut text.chars().rev()).into_iter().rev().collect();
    format!("{head}…{tail}")
}

/// Joins parts to a file name: letters, digits, `-`, `_` and `.` stay, others
/// become `_`; no dot leads or doubles, and no part is longer than 40.
pub(super) fn file_stem(parts: &[&str]) -> String {
    let safe = |part: &&str| {
        let text: String = part
            .chars()
            .take(40)
            .map(|c| match c {
                'a'..='z' | 'A'..='Z' | '0'..='9' | '-' | '_' | '.' => c,
                _ => '_',
            })
            .collect();
        text.replace("..", "_").trim_matches('.').to_owned()
    };
    parts.iter().map(safe).collect::<Vec<_>>().join("-")
}

/// A number for a file name: at most three decimals, with a point.
pub(super) fn plain(value: f64) -> String {
    Voice::default().plain(value)
}

/// Pressure and stage in words.
pub(super) fn condition(stage: Option<&str>, pressure_kpa: Option<f64>, v: Voice) -> String {
    let pressure = v.pressure(pressure_kpa);
    match stage {
        Some(stage) => format!("{pressure}, {}", shortened(&visible(stage), 24)),
        None => pressure,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn file_names_stay_in_their_folder() {
        assert_eq!(
            file_stem(&["delivery", "../../etc/x"]),
            "delivery-____etc_x"
        );
        assert_eq!(file_stem(&["delivery", "a\\b:c\n"]), "delivery-a_b_c_");
        assert_eq!(file_stem(&["dead-time", "43.5kPa"]), "dead-time-43.5kPa");
    }

    #[test]
    fn long_text_keeps_both_ends() {
        assert_eq!(shortened("0261500-A-000012", 9), "0261…0012");
        assert_eq!(shortened("short", 9), "short");
    }
}
