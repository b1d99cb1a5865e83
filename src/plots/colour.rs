//! Colours chosen in OKLab, so that lightness is what the eye sees.
//!
//! *Source*: B. Ottosson, "A perceptual color space for image processing" (2020),
//! <https://bottosson.github.io/posts/oklab/>; matrices as printed there.

use plotters::style::RGBColor;

/// Text.
pub(super) const INK: RGBColor = RGBColor(0x1d, 0x22, 0x29);
/// Secondary text: 6.6 to 1 on white.
pub(super) const QUIET: RGBColor = RGBColor(0x55, 0x5d, 0x68);
/// Axes and reference lines: above 3 to 1 on white.
pub(super) const RULE: RGBColor = RGBColor(0x80, 0x88, 0x92);
/// Grid.
pub(super) const GRID: RGBColor = RGBColor(0xe3, 0xe6, 0xea);
/// Shaded ranges and tolerance bands.
pub(super) const SHADE: RGBColor = RGBColor(0xee, 0xf1, 0xf4);
/// Background.
pub(super) const PAPER: RGBColor = RGBColor(0xff, 0xff, 0xff);

/// Lightness, chroma and hue (degrees) of series without an order.
///
/// Found by a random search that kept each above 3.1 to 1 against white and
/// made the least distance in OKLab large: 0.13 with normal sight and with each
/// of the three dichromacies (as simulated by Machado, Oliveira and Fernandes, 2009).
const SERIES: [[f64; 3]; 8] = [
    [0.37, 0.24, 270.0],
    [0.66, 0.14, 66.0],
    [0.28, 0.06, 150.0],
    [0.66, 0.12, 252.0],
    [0.33, 0.16, 316.0],
    [0.45, 0.10, 66.0],
    [0.57, 0.03, 20.0],
    [0.53, 0.13, 269.0],
];

/// The two ends of the ramp for series in order (voltages): dark to light, so
/// that the order survives black-and-white print.
const RAMP: [[f64; 3]; 2] = [[0.30, 0.15, 275.0], [0.65, 0.15, 58.0]];

/// The colour of a series without an order; they repeat after eight, the marks after sixteen.
pub(super) fn series(index: usize) -> RGBColor {
    let [l, c, h] = SERIES[index % SERIES.len()];
    from_oklab(polar(l, c, h))
}

/// The colour of series `index` of `count` in order.
pub(super) fn ramp(index: usize, count: usize) -> RGBColor {
    let share = if count > 1 {
        index as f64 / (count - 1) as f64
    } else {
        0.0
    };
    let [a, b] = RAMP.map(|[l, c, h]| polar(l, c, h));
    from_oklab([0, 1, 2].map(|i| a[i] + share * (b[i] - a[i])))
}

fn polar(lightness: f64, chroma: f64, hue: f64) -> [f64; 3] {
    let (sin, cos) = hue.to_radians().sin_cos();
    [lightness, chroma * cos, chroma * sin]
}

/// OKLab to sRGB; what lies outside of the screen's gamut is clipped.
fn from_oklab([lightness, a, b]: [f64; 3]) -> RGBColor {
    let l = (lightness + 0.396_337_777_4 * a + 0.215_803_757_3 * b).powi(3);
    let m = (lightness - 0.105_561_345_8 * a - 0.063_854_172_8 * b).powi(3);
    let s = (lightness - 0.089_484_177_5 * a - 1.291_485_548_0 * b).powi(3);
    let byte = |linear: f64| {
        let x = linear.clamp(0.0, 1.0);
        // The sRGB transfer curve (IEC 61966-2-1).
        let coded = if x <= 0.003_130_8 {
            12.92 * x
        } else {
            1.055 * x.powf(1.0 / 2.4) - 0.055
        };
        (coded * 255.0).round() as u8
    };
    RGBColor(
        byte(4.076_741_662_1 * l - 3.307_711_591_3 * m + 0.230_969_929_2 * s),
        byte(-1.268_438_004_6 * l + 2.609_757_401_1 * m - 0.341_319_396_5 * s),
        byte(-0.004_196_086_3 * l - 0.703_418_614_7 * m + 1.707_614_701_0 * s),
    )
}

/// One byte of sRGB as linear light, 0 to 1 (IEC 61966-2-1).
fn linear(byte: u8) -> f64 {
    let x = f64::from(byte) / 255.0;
    if x <= 0.040_45 {
        x / 12.92
    } else {
        ((x + 0.055) / 1.055).powf(2.4)
    }
}

/// sRGB to OKLab, the way back of [`from_oklab`].
fn to_oklab(RGBColor(r, g, b): RGBColor) -> [f64; 3] {
    let (r, g, b) = (linear(r), linear(g), linear(b));
    let l = (0.412_221_470_8 * r + 0.536_332_536_3 * g + 0.051_445_992_9 * b).cbrt();
    let m = (0.211_903_498_2 * r + 0.680_699_545_1 * g + 0.107_396_956_6 * b).cbrt();
    let s = (0.088_302_461_9 * r + 0.281_718_837_6 * g + 0.629_978_700_5 * b).cbrt();
    [
        0.210_454_255_3 * l + 0.793_617_785_0 * m - 0.004_072_046_8 * s,
        1.977_998_495_1 * l - 2.428_592_205_0 * m + 0.450_593_709_9 * s,
        0.025_904_037_1 * l + 0.782_771_766_2 * m - 0.808_675_766_0 * s,
    ]
}

/// The dark page's paper, ink and the shades between; the page's style uses the same.
const DARK: [(RGBColor, RGBColor); 6] = [
    (INK, RGBColor(0xe8, 0xea, 0xed)),
    (QUIET, RGBColor(0xad, 0xb5, 0xbf)),
    (RULE, RGBColor(0x80, 0x88, 0x92)),
    (GRID, RGBColor(0x2d, 0x33, 0x3a)),
    (SHADE, RGBColor(0x22, 0x28, 0x2f)),
    (PAPER, RGBColor(0x14, 0x17, 0x1b)),
];

/// A colour of the pictures on dark paper: what is dark becomes light, the hue stays.
fn on_dark(colour: RGBColor) -> RGBColor {
    if let Some((_, dark)) = DARK.iter().find(|(light, _)| *light == colour) {
        return *dark;
    }
    let [lightness, a, b] = to_oklab(colour);
    from_oklab([0.93 - 0.8 * (lightness - 0.28), 0.8 * a, 0.8 * b])
}

/// Style rules that give pictures their colours on dark paper.
///
/// Pictures name their colours on each element; a rule for each colour that
/// occurs overrides it. The pictures themselves stay the same for all uses.
pub(crate) fn dark_rules<'a>(pictures: impl Iterator<Item = &'a str>) -> String {
    let mut colours: std::collections::BTreeSet<&str> = std::collections::BTreeSet::new();
    for svg in pictures {
        for (at, _) in svg.match_indices("=\"#") {
            if let Some(code) = svg.get(at + 2..at + 9) {
                colours.insert(code);
            }
        }
    }
    let mut rules = String::new();
    for code in colours {
        fn all(parts: [Option<u8>; 3]) -> Option<RGBColor> {
            Some(RGBColor(parts[0]?, parts[1]?, parts[2]?))
        }
        let byte = |at: usize| {
            code.get(at..at + 2)
                .and_then(|h| u8::from_str_radix(h, 16).ok())
        };
        if let Some(colour) = all([byte(1), byte(3), byte(5)]) {
            let RGBColor(r, g, b) = on_dark(colour);
            rules.push_str(&format!(
                "[fill=\"{code}\"]{{fill:#{r:02x}{g:02x}{b:02x}}}[stroke=\"{code}\"]{{stroke:#{r:02x}{g:02x}{b:02x}}}\n"
            ));
        }
    }
    rules
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn white_grey_and_red_come_out_as_in_the_source() {
        assert_eq!(from_oklab([1.0, 0.0, 0.0]), RGBColor(255, 255, 255));
        // Red is (0.628, 0.225, 0.126): the published conversion's round trip.
        let RGBColor(r, g, b) = from_oklab([0.627_955, 0.224_863, 0.125_846]);
        assert!(r >= 254 && g <= 1 && b <= 1, "{r} {g} {b}");
        let RGBColor(r, g, b) = from_oklab([0.5, 0.0, 0.0]);
        assert!(r == g && g == b);
    }

    /// Relative luminance as WCAG 2.2 defines it.
    fn luminance(RGBColor(r, g, b): RGBColor) -> f64 {
        0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b)
    }

    fn contrast_on_white(colour: RGBColor) -> f64 {
        1.05 / (luminance(colour) + 0.05)
    }

    #[test]
    fn marks_reach_three_to_one_and_text_four_and_a_half_to_one_on_white() {
        for i in 0..8 {
            assert!(contrast_on_white(series(i)) >= 3.0, "series {i}");
            assert!(contrast_on_white(ramp(i, 8)) >= 3.0, "ramp {i}");
        }
        assert!(contrast_on_white(RULE) >= 3.0);
        assert!(contrast_on_white(QUIET) >= 4.5 && contrast_on_white(INK) >= 4.5);
    }

    #[test]
    fn the_ramp_gets_lighter_all_the_way() {
        for i in 1..8 {
            assert!(luminance(ramp(i, 8)) > luminance(ramp(i - 1, 8)));
        }
    }
}
