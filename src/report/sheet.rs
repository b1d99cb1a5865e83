//! What a shop adds to a report: form, pressure, job sheet, logo.

use thiserror::Error;

/// How much of the report is written.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Form {
    /// Everything.
    #[default]
    Full,
    /// Verdict, set, numbers to enter, change, checks, cautions: what a customer reads.
    Short,
}

/// What is asked of a report beside its style.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Sheet {
    /// How much is written.
    pub form: Form,
    /// Differential pressure at which the numbers to enter are given, kPa; `None`
    /// takes the one that was run and is nearest to 300 kPa.
    pub pressure_kpa: Option<f64>,
    /// The job.
    pub job: JobSheet,
}

/// The head of a job sheet; what is stated here goes before what the bench file states.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct JobSheet {
    /// The customer's reference.
    pub reference: Option<String>,
    /// Part numbers, free text.
    pub parts: Option<String>,
    /// Who did it.
    pub technician: Option<String>,
    /// When; year-month-day is written in the way of the locale.
    pub date: Option<String>,
    /// The shop's own name.
    pub shop: Option<String>,
    /// The shop's logo.
    pub logo: Option<Logo>,
}

/// Largest logo file, bytes: it is carried in every report.
pub const LARGEST_LOGO: usize = 200 * 1024;
/// Longest side of a logo, pixels: a small file can unpack to a large picture.
pub const LONGEST_LOGO_SIDE: u32 = 2000;

/// A checked PNG or JPEG picture, ready to be set into a page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Logo {
    /// The whole file as a `data:` address.
    pub(crate) address: String,
    /// Width and height, pixels.
    pub(crate) size: [u32; 2],
}

/// Why a file is not taken as a logo.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum LogoError {
    /// Neither PNG nor JPEG by its content, whatever its name.
    #[error(
        "the logo is neither a PNG nor a JPEG picture\nhint: save it as PNG; vector pictures can hold scripts and are not taken"
    )]
    Kind,
    /// Too many bytes.
    #[error(
        "the logo has {bytes} bytes; at most {LARGEST_LOGO} are taken\nhint: a logo of 600 pixels is wide enough for print"
    )]
    TooLarge {
        /// Size of the file.
        bytes: usize,
    },
    /// Too many pixels, or none.
    #[error(
        "the logo is {width} by {height} pixels; each side must be 1 to {LONGEST_LOGO_SIDE}\nhint: a logo of 600 pixels is wide enough for print"
    )]
    Size {
        /// Width, pixels.
        width: u32,
        /// Height, pixels.
        height: u32,
    },
}

impl Logo {
    /// Checks kind and size by the content of the file.
    ///
    /// *Source*: PNG third edition (W3C 2025), 5.2 and 11.2.1; ITU-T T.81 (1992), B.1 and
    /// B.2.2, from memory.
    ///
    /// # Errors
    /// [`LogoError`] where it is no PNG or JPEG, or too large.
    pub fn read(bytes: &[u8]) -> Result<Self, LogoError> {
        if bytes.len() > LARGEST_LOGO {
            return Err(LogoError::TooLarge { bytes: bytes.len() });
        }
        let (kind, size) = png_size(bytes)
            .map(|size| ("png", size))
            .or_else(|| jpeg_size(bytes).map(|size| ("jpeg", size)))
            .ok_or(LogoError::Kind)?;
        let [width, height] = size;
        if !size
            .iter()
            .all(|side| (1..=LONGEST_LOGO_SIDE).contains(side))
        {
            return Err(LogoError::Size { width, height });
        }
        Ok(Logo {
            address: format!("data:image/{kind};base64,{}", base64(bytes)),
            size,
        })
    }
}

/// Bytes as text of 64 letters, padded.
///
/// *Source*: RFC 4648, section 4; its test vectors (section 10) are in the tests.
pub(super) fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for three in bytes.chunks(3) {
        let byte = |i: usize| u32::from(three.get(i).copied().unwrap_or(0));
        let bits = byte(0) << 16 | byte(1) << 8 | byte(2);
        for place in 0..4 {
            if place <= three.len() {
                let letter = LETTERS[(bits >> (18 - 6 * place)) as usize & 63];
                text.push(char::from(letter));
            } else {
                text.push('=');
            }
        }
    }
    text
}

fn png_size(bytes: &[u8]) -> Option<[u32; 2]> {
    let rest = bytes.strip_prefix(b"\x89PNG\r\n\x1a\n")?;
    let header = rest.get(..16)?;
    let number = |at: usize| Some(u32::from_be_bytes(header.get(at..at + 4)?.try_into().ok()?));
    (header.get(4..8)? == b"IHDR").then_some([number(8)?, number(12)?])
}

/// Walks the segments to the frame header, which holds height and width.
fn jpeg_size(bytes: &[u8]) -> Option<[u32; 2]> {
    let mut rest = bytes.strip_prefix(b"\xff\xd8")?;
    loop {
        let [0xff, marker, high, low, ..] = *rest else {
            return None;
        };
        let length = usize::from(u16::from_be_bytes([high, low]));
        // All frame headers but those of Huffman tables, extensions and arithmetic coding.
        if (0xc0..=0xcf).contains(&marker) && ![0xc4, 0xc8, 0xcc].contains(&marker) {
            let side = |at: usize| {
                let pair = rest.get(at..at + 2)?;
                Some(u32::from(u16::from_be_bytes([pair[0], pair[1]])))
            };
            return Some([side(7)?, side(5)?]);
        }
        rest = rest.get(2 + length.max(2)..)?;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn png(width: u32, height: u32) -> Vec<u8> {
        let mut bytes = b"\x89PNG\r\n\x1a\n\0\0\0\x0dIHDR".to_vec();
        bytes.extend(width.to_be_bytes());
        bytes.extend(height.to_be_bytes());
        bytes
    }

    #[test]
    fn base64_meets_the_vectors_of_its_standard() {
        let vectors = [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ];
        for (plain, coded) in vectors {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }

    #[test]
    fn kind_and_size_are_taken_from_the_content() {
        assert_eq!(Logo::read(&png(600, 200)).unwrap().size, [600, 200]);
        let jpeg = b"\xff\xd8\xff\xe0\0\x04ab\xff\xc2\0\x0b\x08\x01\x02\x03\x04\x01\x01\x11\0";
        let logo = Logo::read(jpeg).unwrap();
        assert_eq!(logo.size, [0x304, 0x102]);
        assert!(logo.address.starts_with("data:image/jpeg;base64,/9j/"));
    }

    #[test]
    fn what_is_no_picture_or_too_large_is_refused() {
        for bad in [
            &b"<svg onload=\"x()\"/>"[..],
            b"GIF89a",
            b"",
            b"\xff\xd8",
            b"\xff\xd8\xff\xe0\xff\xff",
        ] {
            assert_eq!(Logo::read(bad), Err(LogoError::Kind));
        }
        assert!(matches!(
            Logo::read(&png(0, 5)),
            Err(LogoError::Size { .. })
        ));
        assert!(matches!(
            Logo::read(&png(5, 60_000)),
            Err(LogoError::Size { .. })
        ));
        let mut large = png(5, 5);
        large.resize(LARGEST_LOGO + 1, 0);
        assert!(matches!(
            Logo::read(&large),
            Err(LogoError::TooLarge { .. })
        ));
    }
}
