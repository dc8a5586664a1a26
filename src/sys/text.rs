//! Text for terminals: nothing out of a dump, a file name or a server may steer one.

/// `text` with everything that could steer a terminal or disguise a name shown as `\x1b` or `\u{202e}`.
///
/// Control characters (C0, DEL, C1), line and paragraph separators, and characters that change the writing
/// direction are escaped; everything else passes.
pub fn printable(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\u{0}'..='\u{1f}' | '\u{7f}'..='\u{9f}' => {
                out.push_str(&format!("\\x{:02x}", c as u32))
            }
            '\u{200e}'
            | '\u{200f}'
            | '\u{2028}'..='\u{202e}'
            | '\u{2066}'..='\u{2069}'
            | '\u{feff}' => out.push_str(&format!("\\u{{{:x}}}", c as u32)),
            c => out.push(c),
        }
    }
    out
}

/// A whole number with commas between thousands, such as `4,104`.
pub fn grouped(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::with_capacity(digits.len() + digits.len() / 3);
    for (i, c) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(c);
    }
    out
}

/// A count with its noun, such as `1 take` or `12 takes`.
pub fn counted(n: u64, one: &str) -> String {
    if n == 1 {
        format!("1 {one}")
    } else {
        format!("{} {}", grouped(n), plural(one))
    }
}

fn plural(one: &str) -> String {
    match one {
        "copy" => "copies".to_string(),
        "patch" => "patches".to_string(),
        "battery" => "batteries".to_string(),
        "shelf" => "shelves".to_string(),
        _ if one.ends_with('s') => format!("{one}es"),
        _ => format!("{one}s"),
    }
}

/// A number of bytes for people, such as `409 bytes`, `12.9 kB`, `1.3 GB` (powers of ten).
pub fn size(bytes: u64) -> String {
    const UNITS: [&str; 4] = ["kB", "MB", "GB", "TB"];
    if bytes < 10_000 {
        return counted(bytes, "byte");
    }
    let mut value = bytes as f64 / 1000.0;
    let mut unit = 0;
    while value >= 999.95 && unit + 1 < UNITS.len() {
        value /= 1000.0;
        unit += 1;
    }
    format!("{value:.1} {}", UNITS[unit])
}

/// Reads a number of bytes, also as `500MB` (powers of ten); none for zero and for what is no such number.
pub fn parse_bytes(text: &str) -> Option<u64> {
    let end = text
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(text.len());
    let (digits, unit) = text.split_at(end);
    let factor = match unit.trim().to_ascii_lowercase().as_str() {
        "" | "b" => 1,
        "k" | "kb" => 1_000,
        "m" | "mb" => 1_000_000,
        "g" | "gb" => 1_000_000_000,
        "t" | "tb" => 1_000_000_000_000,
        _ => return None,
    };
    let bytes = digits.parse::<u64>().ok()?.checked_mul(factor)?;
    (bytes > 0).then_some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn control_and_direction_characters_never_reach_a_terminal() {
        assert_eq!(printable("pad\x1b[31m\n\u{9b}x"), "pad\\x1b[31m\\x0a\\x9bx");
        assert_eq!(printable("a\u{202e}b"), "a\\u{202e}b");
        assert_eq!(printable("Ünïcode ☂"), "Ünïcode ☂");
    }

    #[test]
    fn numbers_read_well() {
        assert_eq!(grouped(0), "0");
        assert_eq!(grouped(4104), "4,104");
        assert_eq!(grouped(1_000_000), "1,000,000");
        assert_eq!(counted(1, "copy"), "1 copy");
        assert_eq!(counted(3, "copy"), "3 copies");
        assert_eq!(size(4104), "4,104 bytes");
        assert_eq!(size(1_291_469_470), "1.3 GB");
    }
}
