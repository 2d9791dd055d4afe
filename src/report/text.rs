//! Text that has to fit: measuring, cleaning, shortening and wrapping by columns of a terminal.
//!
//! Width is what the table library measures, so that prose and tables agree about it.

use comfy_table::{ContentArrangement, Table};

/// Longest name that is looked at; what lies beyond could not be shown on any screen.
const LONGEST_NAME: usize = 400;

/// Words that no line may begin with: they belong to the number before them.
const CLINGING: [&str; 12] = ["%", "±", "×", "ns", "us", "ms", "s", "B/s", "kB/s", "MB/s", "GB/s", "TB/s"];

/// Columns that `text` takes on a terminal.
pub(super) fn display_width(text: &str) -> usize {
    if text.is_ascii() {
        return text.len();
    }
    let mut table = Table::new();
    table.set_content_arrangement(ContentArrangement::Disabled).add_row([text]);
    table.column_max_content_widths().first().map_or(0, |&width| usize::from(width))
}

/// `text` made harmless for a terminal: characters that would move the cursor, ring, colour or
/// reverse the line give way to a question mark, and endless names are cut.
pub(super) fn clean(text: &str) -> String {
    let is_harmful = |c: char| {
        c.is_control()
            || matches!(c, '\u{2028}' | '\u{2029}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}')
    };
    let cleaned: String =
        text.chars().take(LONGEST_NAME + 1).map(|c| if is_harmful(c) { '?' } else { c }).collect();
    shorten(&cleaned, LONGEST_NAME)
}

/// `text` in at most `width` columns, with an ellipsis for what was taken from its middle: names
/// that belong together often differ only at the end.
pub(super) fn shorten(text: &str, width: usize) -> String {
    if display_width(text) <= width {
        return text.to_owned();
    }
    if width == 0 {
        return String::new();
    }
    let letters: Vec<char> = text.chars().collect();
    let tail_width = (width - 1) / 2;
    let tail_start = (0..letters.len())
        .find(|&start| display_width(&letters[start..].iter().collect::<String>()) <= tail_width)
        .unwrap_or(letters.len());
    let tail: String = letters[tail_start..].iter().collect();
    // From the longest head down: measured whole each time, since widths of letters do not add up.
    (0..=tail_start.min(width))
        .rev()
        .map(|end| format!("{}…{tail}", letters[..end].iter().collect::<String>()))
        .find(|short| display_width(short) <= width)
        .unwrap_or_else(|| "…".into())
}

/// The first of `spellings`, longest first, that fits; if none does, the last one, shortened.
pub(super) fn first_that_fits(spellings: &[String], width: usize) -> String {
    let fitting = spellings.iter().find(|spelling| display_width(spelling) <= width);
    match (fitting, spellings.last()) {
        (Some(spelling), _) => spelling.clone(),
        (None, Some(last)) => shorten(last, width),
        (None, None) => String::new(),
    }
}

/// Words of `text`, with a number, its half-width and its unit in one piece ("1.31 ms", "41,200 ± 130").
fn unbroken(text: &str) -> Vec<String> {
    let mut pieces: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let bare = word.trim_end_matches([',', ';', ':', '.', ')']);
        match pieces.last_mut() {
            Some(piece) if CLINGING.contains(&bare) || piece.ends_with('±') => {
                piece.push(' ');
                piece.push_str(word);
            }
            _ => pieces.push(word.to_owned()),
        }
    }
    pieces
}

/// `text` broken between words into lines of at most `width` columns, the first preceded by `lead` and
/// the others by as many spaces as `indent` says. A word wider than a line is broken.
pub(super) fn wrap(lead: &str, indent: usize, text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = lead.to_owned();
    let mut is_fresh = true;
    for word in &unbroken(text) {
        let gap = if is_fresh { "" } else { " " };
        if display_width(&line) + gap.len() + display_width(word) <= width {
            line.push_str(gap);
            line.push_str(word);
            is_fresh = false;
            continue;
        }
        if !is_fresh {
            lines.push(std::mem::replace(&mut line, " ".repeat(indent)));
        }
        is_fresh = false;
        for letter in word.chars() {
            let longer = format!("{line}{letter}");
            if display_width(&longer) <= width {
                line = longer;
            } else {
                lines.push(std::mem::replace(&mut line, " ".repeat(indent)));
                line.push(letter);
            }
        }
    }
    lines.push(line);
    lines
}

/// Words for a number of things: "1 class", "3 classes".
pub fn plural(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shortening_keeps_both_ends() {
        assert_eq!(shorten("ticketing-db", 12), "ticketing-db");
        assert_eq!(shorten("ticketing-db", 7), "tic…-db");
        assert_eq!(shorten("ticketing-db", 1), "…");
        assert_eq!(shorten("ticketing-db", 0), "");
        assert_eq!(shorten("駅務端末", 5), "駅…末");
    }

    #[test]
    fn cleaning_takes_the_sting_out_of_escapes_and_ends_endless_names() {
        assert_eq!(clean("a\x1b[31mb\nc\u{202E}d"), "a?[31mb?c?d");
        assert!(display_width(&clean(&"x".repeat(100_000))) <= LONGEST_NAME);
    }

    #[test]
    fn wrapping_breaks_between_words_and_within_only_when_it_must() {
        assert_eq!(wrap("- ", 2, "one two three", 9), ["- one two", "  three"]);
        assert_eq!(wrap("", 1, "abcdefgh ij", 5), ["abcde", " fgh", " ij"]);
    }

    #[test]
    fn a_unit_stays_with_its_number() {
        assert_eq!(wrap("", 0, "wait 61 %, then", 8), ["wait", "61 %,", "then"]);
        assert_eq!(wrap("", 0, "at 1.31 ± 0.05 ms", 16), ["at", "1.31 ± 0.05 ms"]);
    }

    #[test]
    fn the_longest_spelling_that_fits_is_taken() {
        let spellings = ["a long one".to_owned(), "short".to_owned()];
        assert_eq!(first_that_fits(&spellings, 10), "a long one");
        assert_eq!(first_that_fits(&spellings, 9), "short");
        assert_eq!(first_that_fits(&spellings, 3), "s…t");
    }
}
