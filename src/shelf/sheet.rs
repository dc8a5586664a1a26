//! The key sheet: the printed pages that open everything, for a drawer at another place.
//!
//! Invariants: the sheet alone (with one copy) is enough, for a person who is not the owner too; it asks nothing from any network when
//! it is shown; everything a person named is escaped. It carries the bare key, so what is given back is wiped when dropped.

use std::fmt::Write;

use super::cipher::ExposeSecret;
use qrcode::render::svg;
use qrcode::{EcLevel, QrCode};
use unicode_width::UnicodeWidthChar;
use zeroize::Zeroizing;

use super::by_hand::{ByHand, commands};
use super::cipher::Identity;
use super::typed::to_groups;

/// What a key sheet is made from.
pub struct Sheet<'a> {
    /// The vault's id.
    pub vault_id: String,
    /// Where the vault is, so that the sheet goes elsewhere.
    pub place: Option<String>,
    /// The day it was made, as it shall be printed.
    pub made_on: String,
    /// The key itself.
    pub identity: &'a Identity,
    /// Every shelf of the vault.
    pub shelves: Vec<SheetShelf>,
    /// Number and date of the newest closed reel, if there is one.
    pub last_reel: Option<(u64, String)>,
}

/// One shelf on the sheet.
pub struct SheetShelf {
    /// Its name in the vault.
    pub name: String,
    /// Where it is.
    pub place: String,
    /// How to get in again without the owner's computer: address, account, whom to ask. May have several lines.
    pub how_to_reach: String,
}

impl Sheet<'_> {
    /// Gives the sheet as text: LF lines of at most 80 columns; with up to three shelves of two lines each it fits two pages of 80
    /// lines (eight to the inch).
    pub fn text(&self) -> Zeroizing<String> {
        let mut page = Zeroizing::new(String::with_capacity(ROOM));
        let made = format!("made on {}", self.made_on);
        paragraph(&mut page, "", &format!("KEY SHEET, {made}"));
        paragraph(&mut page, "", &self.which());
        page.push('\n');
        paragraph(&mut page, "", CAUTION);
        page.push_str("\nIF YOU ARE NOT THE OWNER\n");
        paragraph(&mut page, "  ", STRANGER);
        for (idx, step) in STEPS.iter().enumerate() {
            let start = page.len();
            paragraph(&mut page, "     ", step);
            page.replace_range(start..start + 5, &format!("  {}. ", idx + 1));
        }
        page.push_str("\nTHE KEY\n");
        for (idx, group) in to_groups(self.identity).iter().enumerate() {
            let end = if idx % 5 == 4 { "\n" } else { "   " };
            let number = idx + 1;
            // The last group is shorter, and nothing follows it.
            let _ = write!(page, "  {number:2}. {}{end}", group.as_str());
        }
        paragraph(&mut page, "  ", KEY_NOTE);
        let line = self.identity.line();
        let recipient = self.identity.recipient();
        let _ = write!(
            page,
            "  The same as one line:\n  {}\n  Public half: {recipient}\n",
            line.expose_secret()
        );
        page.push_str("\nTHE COPIES\n");
        for shelf in &self.shelves {
            paragraph(&mut page, "  ", &format!("{}: {}", shelf.name, shelf.place));
            for line in shelf.how_to_reach.lines() {
                paragraph(&mut page, "    ", line);
            }
        }
        paragraph(&mut page, "  ", &self.last_part());
        page.push_str("\nWITHOUT THE PROGRAM\n");
        paragraph(&mut page, "", BY_HAND_NOTE);
        page.push('\n');
        page.push_str(&self.commands());
        page
    }

    /// Gives the sheet as one HTML file for printing on two pages, black on white, with the identity line as a QR code.
    pub fn html(&self) -> Zeroizing<String> {
        let mut page = Zeroizing::new(String::with_capacity(2 * ROOM));
        let line = self.identity.line();
        page.push_str(HTML_HEAD);
        let _ = write!(
            page,
            "<h1>Key sheet</h1>\n<p>Made on {}. {}</p>\n<p class=\"caution\">{}</p>\n",
            escaped(&self.made_on),
            escaped(&self.which()),
            escaped(CAUTION)
        );
        let stranger = escaped(STRANGER);
        let _ = write!(
            page,
            "<h2>If you are not the owner</h2>\n<p>{stranger}</p>\n<ol>\n"
        );
        for step in STEPS {
            let _ = writeln!(page, "<li>{}</li>", escaped(step));
        }
        page.push_str("</ol>\n<h2>The key</h2>\n<div class=\"key\">\n<ol class=\"groups\">\n");
        for group in to_groups(self.identity).iter() {
            let _ = writeln!(page, "<li>{}</li>", group.as_str());
        }
        let qr = qr(line.expose_secret());
        let _ = write!(
            page,
            "</ol>\n{}\n</div>\n<p>{} The square holds the same line.</p>\n\
             <p>The same as one line:<br><code>{}</code></p>\n<p>Public half: <code>{}</code></p>\n",
            qr.as_str(),
            escaped(KEY_NOTE),
            line.expose_secret(),
            self.identity.recipient()
        );
        page.push_str("<h2>The copies</h2>\n<dl>\n");
        for shelf in &self.shelves {
            let _ = writeln!(
                page,
                "<dt>{}: {}</dt><dd>{}</dd>",
                escaped(&shelf.name),
                escaped(&shelf.place),
                escaped(&shelf.how_to_reach).replace('\n', "<br>")
            );
        }
        let _ = write!(
            page,
            "</dl>\n<p>{}</p>\n<section>\n<h2>Without the program</h2>\n<p>{}</p>\n<pre>{}</pre>\n\
             </section>\n</body>\n</html>\n",
            escaped(&self.last_part()),
            escaped(BY_HAND_NOTE),
            escaped(&self.commands())
        );
        page
    }

    fn which(&self) -> String {
        match &self.place {
            Some(place) => format!("Vault {}, kept at: {place}.", self.vault_id),
            None => format!("Vault {}.", self.vault_id),
        }
    }

    fn last_part(&self) -> String {
        match &self.last_reel {
            Some((number, date)) => format!(
                "When this was printed the newest part was number {number} of {date}. Later parts \
                 are as it should be; a copy that ends earlier is not complete."
            ),
            None => "When this was printed nothing had been copied yet.".to_string(),
        }
    }

    /// The key line stands on the first page; twice would only be twice as much to mistype.
    fn commands(&self) -> String {
        commands(&ByHand {
            key_line: None,
            shelf: None,
        })
    }
}

const ROOM: usize = 16 * 1024;
const COLUMNS: usize = 80;

const CAUTION: &str = "Whoever holds this sheet can read every copy, no passphrase is needed. \
    Keep it on paper, in a drawer at another place than the vault, and let nobody copy or photograph it.";

const STRANGER: &str = "This opens somebody's collection: the memory of musical instruments, kept \
    over years in several places. If their own place is gone, you can bring all of it back:";

const STEPS: [&str; 4] = [
    "Go to one of the copies named below. One is enough. Change nothing in it.",
    "With the program farshelf: farshelf rescue COPY --key - --to NEW-FOLDER",
    "It asks for the key: type the fifteen groups. It tells which group was mistyped.",
    "Without that program: the last part of this sheet says how, with general tools.",
];

const KEY_NOTE: &str = "Capitals or small letters, blanks and dashes do not matter. The character \
    after a dash checks its group. There is no letter O, I or B and no digit 1 in a key.";

const BY_HAND_NOTE: &str = "Needs a Unix shell, age, zstd, tar, b3sum and awk. README.txt at each \
    copy has the same lines, to be copied instead of typed; where it differs, trust this sheet. Put \
    the folder of the copy into the first line, the key line into the second, and run: sh FILE";

const HTML_HEAD: &str = r#"<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width">
<title>Key sheet</title>
<style>
@page { size: auto; margin: 10mm; }
body { color: #000; background: #fff; font: 10pt/1.3 sans-serif; max-width: 180mm; margin: 0 auto; }
h1 { font-size: 15pt; margin: 0; }
h2 { font-size: 11pt; margin: 8pt 0 2pt; border-bottom: 1pt solid #000; }
p, ol, dl { margin: 2pt 0 4pt; }
code, pre, .groups { font-family: monospace; }
code { font-size: 9pt; overflow-wrap: anywhere; }
.caution { border: 2pt solid #000; padding: 4pt; font-weight: bold; }
.key { display: flex; gap: 8mm; align-items: center; }
.groups { columns: 3; flex: 1; font-size: 12pt; line-height: 1.6; padding-left: 3em; }
.key svg { width: 42mm; height: 42mm; }
dt { font-weight: bold; }
section { break-before: page; }
pre { font-size: 6.4pt; line-height: 6.6pt; margin: 0; white-space: pre-wrap; }
</style>
</head>
<body>
"#;

/// Adds `text` wrapped at blanks, every line behind `indent`; words wider than a line are cut. Control characters become `?`.
fn paragraph(page: &mut String, indent: &str, text: &str) {
    let room = COLUMNS - indent.len();
    let mut used = 0;
    page.push_str(indent);
    for word in text.split_whitespace() {
        let width: usize = word.chars().filter_map(UnicodeWidthChar::width).sum();
        if used > 0 {
            if used + 1 + width > room {
                page.push('\n');
                page.push_str(indent);
                used = 0;
            } else {
                page.push(' ');
                used += 1;
            }
        }
        for c in word.chars() {
            let c = if c.is_control() { '?' } else { c };
            let width = c.width().unwrap_or(0);
            if used + width > room {
                page.push('\n');
                page.push_str(indent);
                used = 0;
            }
            page.push(c);
            used += width;
        }
    }
    page.push('\n');
}

/// The text for HTML, between tags or quotes. Control characters but the line feed become `?`.
fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            '\n' => safe.push('\n'),
            c if c.is_control() => safe.push('?'),
            c => safe.push(c),
        }
    }
    safe
}

/// The QR code as an inline SVG. Empty only for text longer than any QR code, which an identity line is not.
fn qr(text: &str) -> Zeroizing<String> {
    let Ok(code) = QrCode::with_error_correction_level(text, EcLevel::Q) else {
        return Zeroizing::new(String::new());
    };
    let drawing = Zeroizing::new(code.render::<svg::Color>().build());
    // Inside HTML an XML declaration is an error.
    let start = drawing.find("<svg").unwrap_or(0);
    Zeroizing::new(drawing.get(start..).unwrap_or_default().to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::shelf::typed::parse_typed;

    const LINE: &str = "AGE-SECRET-KEY-1GFPYYSJZGFPYYSJZGFPYYSJZGFPYYSJZGFPYYSJZGFPYYSJZGFPQ4EGAEX";

    fn shelf(name: &str, how: &str) -> SheetShelf {
        SheetShelf {
            name: name.into(),
            place: "lena's flat".into(),
            how_to_reach: how.into(),
        }
    }

    fn sheet(identity: &Identity) -> Sheet<'_> {
        Sheet {
            vault_id: "0198f3a2-55aa".into(),
            place: Some("studio".into()),
            made_on: "2026-10-25".into(),
            identity,
            shelves: vec![
                shelf(
                    "attic",
                    "A grey disk in the cupboard.\nAsk the neighbour for the key.",
                ),
                shelf(
                    "bucket",
                    "https://example.org, account in the red notebook.\nRegion x.",
                ),
                shelf("<b>&\"'</b>", "\u{1b}[2J <script>alert(1)</script>"),
            ],
            last_reel: Some((17, "2026-10-20".into())),
        }
    }

    #[test]
    fn the_text_fits_80_columns_and_two_pages_of_80_lines() {
        let identity = Identity::parse(LINE).unwrap();
        let text = sheet(&identity).text();
        for line in text.lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
        assert!(text.lines().count() <= 160, "{}", text.lines().count());
        assert!(!text.contains(['\r', '\u{1b}', '\t']));
        for wanted in [
            LINE,
            " 1. GFPY-W",
            "0198f3a2-55aa",
            "kept at: studio",
            "number 17 of 2026-10-20",
            "attic: lena's flat",
            "    Ask the neighbour for the key.",
            "  2. With the program farshelf: farshelf rescue COPY --key - --to NEW-FOLDER\n",
            "age1zvkyg2lqzraa2lnjvqej32nkuu0ues2s82hzrye869xeexvn73equnujwj",
        ] {
            assert!(text.contains(wanted), "{wanted}\n{}", text.as_str());
        }
    }

    #[test]
    fn the_groups_on_the_sheet_are_read_back_as_they_stand() {
        let identity = Identity::generate();
        let text = sheet(&identity).text();
        let start = text.find("THE KEY\n").unwrap() + 8;
        let groups: Vec<&str> = text[start..].lines().take(3).collect();
        let found = parse_typed(&groups.join("\n")).unwrap_or_else(|e| panic!("{e}"));
        assert!(found.line().expose_secret() == identity.line().expose_secret());
    }

    #[test]
    fn the_page_asks_for_nothing_and_escapes_every_name() {
        let identity = Identity::parse(LINE).unwrap();
        let page = sheet(&identity).html();
        for wanted in [
            "&lt;b&gt;&amp;&quot;&#39;&lt;/b&gt;",
            "&lt;script&gt;alert(1)&lt;/script&gt;",
            "<li>GFPY-W</li>",
            "lena&#39;s flat",
            LINE,
            "<svg",
        ] {
            assert!(page.contains(wanted), "{wanted}");
        }
        for never in [
            "<script", "<link", "<img", " src=", " href=", "url(", "\u{1b}", "<?xml",
        ] {
            assert!(!page.contains(never), "{never}");
        }
    }

    #[test]
    fn long_words_are_cut_and_wide_letters_count_double() {
        let mut page = String::new();
        paragraph(&mut page, "  ", &format!("a {} b", "x".repeat(100)));
        let lines: Vec<&str> = page.lines().collect();
        assert_eq!(
            lines,
            [
                "  a",
                &format!("  {}", "x".repeat(78)),
                &format!("  {} b", "x".repeat(22))
            ]
        );
        let mut page = String::new();
        paragraph(&mut page, "", &"\u{7434}".repeat(41));
        assert_eq!(
            page.lines().map(|l| l.chars().count()).collect::<Vec<_>>(),
            [40, 1]
        );
    }
}
