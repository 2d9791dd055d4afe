//! Tables that fit the terminal without ever wrapping a row.
//!
//! Each column says how soon it may be left out. A table too wide first gives up its least important
//! columns, then letters of its names; what was left out is told, so that the reader can ask for it.

use comfy_table::{CellAlignment, ContentArrangement, Table};

use super::sheet::Tone;
use super::text::{display_width, shorten};

/// A rule under the header and nothing else; the order of the marks is the table library's.
const RULE_UNDER_HEADER: &str = "     ─             ";
/// Blank columns that each cell brings, left and right together.
const PADDING: usize = 2;
/// Columns to which names are assumed to shrink before a column of figures is left out.
const NAME_KEPT: usize = 24;
/// Columns below which a name is not shortened while anything else can give.
const NAME_LEAST: usize = 8;

/// A column of a grid.
pub(super) struct Column {
    title: String,
    is_name: bool,
    /// 0 stays; the highest rank leaves first.
    rank: u8,
}

impl Column {
    /// A column of words, aligned left, that may be shortened.
    pub(super) fn name(title: &str, rank: u8) -> Self {
        Column { title: title.into(), is_name: true, rank }
    }

    /// A column of figures, aligned right.
    pub(super) fn figure(title: &str, rank: u8) -> Self {
        Column { title: title.into(), is_name: false, rank }
    }
}

/// A table before it is fitted.
pub(super) struct Grid {
    columns: Vec<Column>,
    rows: Vec<(Tone, Vec<String>)>,
}

/// A table as it will be shown.
pub(super) struct Fitted {
    /// Header, rule and rows, a line each.
    pub(super) lines: Vec<(Tone, String)>,
    /// Titles of the columns that found no room.
    pub(super) left_out: Vec<String>,
}

impl Fitted {
    /// Whether the column with this title is shown.
    pub(super) fn shows(&self, title: &str) -> bool {
        !self.left_out.iter().any(|left_out| left_out == title)
    }
}

impl Grid {
    /// A table without rows.
    pub(super) fn new(columns: Vec<Column>) -> Self {
        Grid { columns, rows: Vec::new() }
    }

    /// Adds a row: one clean cell for each column.
    pub(super) fn row(&mut self, tone: Tone, cells: Vec<String>) {
        debug_assert_eq!(cells.len(), self.columns.len(), "a cell for each column");
        self.rows.push((tone, cells));
    }

    /// The table in at most `width` columns.
    pub(super) fn fit(&self, width: usize) -> Fitted {
        let natural = self.natural_widths();
        let shown = self.choose_columns(&natural, width);
        let granted = self.grant_widths(&shown, &natural, width);
        let left_out = (0..self.columns.len())
            .filter(|index| !shown.contains(index))
            .map(|index| self.columns[index].title.clone())
            .collect();
        Fitted { lines: self.draw(&shown, &granted), left_out }
    }

    /// Width of the widest cell of each column.
    fn natural_widths(&self) -> Vec<usize> {
        let mut widths: Vec<usize> = self.columns.iter().map(|column| display_width(&column.title)).collect();
        for (_, cells) in &self.rows {
            for (width, cell) in widths.iter_mut().zip(cells) {
                *width = (*width).max(display_width(cell));
            }
        }
        widths
    }

    /// Indices of the columns to show: leaves out the highest rank until the rest fits with its names
    /// at [`NAME_KEPT`].
    fn choose_columns(&self, natural: &[usize], width: usize) -> Vec<usize> {
        let wanted = |index: usize| match self.columns[index].is_name {
            true => natural[index].min(NAME_KEPT),
            false => natural[index],
        };
        let mut shown: Vec<usize> = (0..self.columns.len()).collect();
        while shown.iter().map(|&index| wanted(index) + PADDING).sum::<usize>() > width {
            let ranks = shown.iter().map(|&index| self.columns[index].rank);
            let Some(highest) = ranks.max().filter(|&rank| rank > 0) else { break };
            shown.retain(|&index| self.columns[index].rank != highest);
        }
        shown
    }

    /// Width granted to each shown column: takes from the widest name, then from the widest column,
    /// until the row fits.
    fn grant_widths(&self, shown: &[usize], natural: &[usize], width: usize) -> Vec<usize> {
        let mut granted: Vec<usize> = shown.iter().map(|&index| natural[index]).collect();
        while granted.iter().map(|width| width + PADDING).sum::<usize>() > width {
            let is_spare = |&place: &usize| self.columns[shown[place]].is_name && granted[place] > NAME_LEAST;
            let widest_name = (0..shown.len()).filter(is_spare).max_by_key(|&place| granted[place]);
            let widest = (0..shown.len()).max_by_key(|&place| granted[place]);
            match widest_name.or(widest) {
                Some(place) if granted[place] > 1 => granted[place] -= 1,
                _ => break,
            }
        }
        granted
    }

    /// Header, rule and rows in the widths granted.
    fn draw(&self, shown: &[usize], granted: &[usize]) -> Vec<(Tone, String)> {
        let cells = |texts: &dyn Fn(usize) -> String| -> Vec<String> {
            shown.iter().zip(granted).map(|(&index, &width)| shorten(&texts(index), width)).collect()
        };
        let mut table = Table::new();
        table.load_preset(RULE_UNDER_HEADER);
        table.set_content_arrangement(ContentArrangement::Disabled);
        table.set_header(cells(&|index| self.columns[index].title.clone()));
        for (_, row) in &self.rows {
            table.add_row(cells(&|index| row.get(index).cloned().unwrap_or_default()));
        }
        for (place, &index) in shown.iter().enumerate() {
            if let Some(column) = table.column_mut(place) {
                let is_name = self.columns[index].is_name;
                column.set_cell_alignment(if is_name { CellAlignment::Left } else { CellAlignment::Right });
            }
        }
        let head = [Tone::Strong, Tone::Quiet].into_iter();
        let tones = head.chain(self.rows.iter().map(|(tone, _)| *tone));
        tones.zip(table.lines()).map(|(tone, line)| (tone, line.trim_end().to_owned())).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn two_classes() -> Grid {
        let mut grid =
            Grid::new(vec![Column::name("class", 0), Column::figure("mean", 1), Column::figure("p99", 0)]);
        grid.row(Tone::Plain, ["ticketing-database", "0.21", "1.31"].map(String::from).to_vec());
        grid.row(Tone::Bad, ["desktops", "10.21", "12.30"].map(String::from).to_vec());
        grid
    }

    fn texts(fitted: &Fitted) -> Vec<&str> {
        fitted.lines.iter().map(|(_, text)| text.as_str()).collect()
    }

    #[test]
    fn a_table_with_room_shows_all_columns() {
        let fitted = two_classes().fit(80);
        assert_eq!(
            texts(&fitted),
            [
                " class                mean    p99",
                "──────────────────────────────────",
                " ticketing-database   0.21   1.31",
                " desktops            10.21  12.30",
            ]
        );
        assert!(fitted.left_out.is_empty() && fitted.shows("mean"));
        assert_eq!(fitted.lines[3].0, Tone::Bad);
    }

    #[test]
    fn the_least_important_column_leaves_before_a_name_is_cut_below_its_share() {
        let fitted = two_classes().fit(30);
        assert_eq!(fitted.left_out, ["mean"]);
        assert!(!fitted.shows("mean"));
        assert_eq!(texts(&fitted)[2], " ticketing-database   1.31");
    }

    #[test]
    fn a_name_is_cut_when_no_column_can_leave() {
        let fitted = two_classes().fit(20);
        assert_eq!(texts(&fitted)[2], " ticke…abase   1.31");
    }

    #[test]
    fn rows_never_wrap_and_never_exceed_the_width() {
        for width in 12..60 {
            let fitted = two_classes().fit(width);
            assert_eq!(fitted.lines.len(), 4, "width {width}");
            assert!(texts(&fitted).iter().all(|line| display_width(line) <= width), "width {width}");
        }
    }
}
