//! User text on its way to a person: nothing in it may command a terminal or hide.

/// Shows control characters, escape sequences, direction controls and other
/// invisible characters of user text as `\u{…}`, so that they can neither
/// command a terminal nor turn a line around. Everything else stays.
pub fn visible(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_control() || is_invisible(c) {
            shown.push_str(&format!("\\u{{{:x}}}", c as u32));
        } else {
            shown.push(c);
        }
    }
    shown
}

/// Direction and format controls, line separators, tags and non-characters
/// (Unicode categories Cf, Zl and Zp as far as they occur in plain text).
fn is_invisible(c: char) -> bool {
    matches!(u32::from(c),
        0xad | 0x61c | 0x180e | 0x200b..=0x200f | 0x2028..=0x202e | 0x2060..=0x206f
        | 0xfeff | 0xfff9..=0xfffb | 0xe0000..=0xe007f)
        || u32::from(c) & 0xfffe == 0xfffe
}

/// As [`visible`], for a text of several lines: line feeds stay.
pub fn visible_lines(text: &str) -> String {
    let lines: Vec<String> = text.split('\n').map(visible).collect();
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn controls_are_shown_and_letters_stay() {
        assert_eq!(visible("\u{1b}[31mA\n1"), "\\u{1b}[31mA\\u{a}1");
        assert_eq!(visible("a\u{202e}b\u{2066}"), "a\\u{202e}b\\u{2066}");
        assert_eq!(visible("\u{9b}31m\u{7f}\0"), "\\u{9b}31m\\u{7f}\\u{0}");
        assert_eq!(visible("Düse № 3 漢 µ"), "Düse № 3 漢 µ");
    }

    #[test]
    fn lines_stay_apart() {
        assert_eq!(visible_lines("a\u{1b}\nb"), "a\\u{1b}\nb");
    }
}
