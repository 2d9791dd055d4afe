//! A sweep's results: one SQLite file, each point committed as it is finished.
//!
//! Write-ahead logging with `synchronous = NORMAL`: a process that is killed loses nothing that was committed, a power cut
//! perhaps the last points. Write-ahead logging needs one host, so that a shard, whose store may lie on a file system that hosts
//! share, and a file for which it cannot be had, keep a journal that is truncated instead, which is slower and safe. The file says
//! what it was made from, and nothing else is let in.

use std::collections::{HashMap, HashSet};
use std::path::Path;

use rusqlite::{Connection, OpenFlags, OptionalExtension, params};

use crate::outcome::{KeptFigure, PointOutcome, PointSets, RoundRow, SweepInputs, SweepTable};

/// Version of the tables: a file of another is not read.
const LAYOUT: i64 = 3;

/// Stands for "as the scenario says", which is later than any round.
const AS_STATED: u32 = u32::MAX;

const TABLES: &str = "
    CREATE TABLE inputs (text TEXT NOT NULL);
    CREATE TABLE planned (
        shard INTEGER NOT NULL,
        of INTEGER NOT NULL,
        points INTEGER NOT NULL,
        PRIMARY KEY (shard, of)
    ) WITHOUT ROWID;
    CREATE TABLE points (
        number INTEGER PRIMARY KEY,
        sets TEXT NOT NULL,
        scenario_digest TEXT NOT NULL,
        error TEXT,
        round INTEGER,
        asked_with TEXT NOT NULL,
        requests INTEGER NOT NULL,
        answers TEXT NOT NULL
    );
    CREATE TABLE asked (
        point INTEGER NOT NULL,
        round INTEGER NOT NULL,
        requests INTEGER NOT NULL,
        PRIMARY KEY (point, round)
    ) WITHOUT ROWID;
    CREATE TABLE figures (
        point INTEGER NOT NULL REFERENCES points (number) ON DELETE CASCADE,
        place INTEGER NOT NULL,
        name TEXT NOT NULL,
        value REAL,
        low REAL,
        high REAL,
        PRIMARY KEY (point, place)
    ) WITHOUT ROWID;
";

/// An open file of results.
pub struct Store {
    connection: Connection,
}

/// Why a store cannot be used. Displays as words.
#[derive(Debug)]
pub enum StoreError {
    /// The database, or the file system below it.
    Database(String),
    /// It was made from something else: what differs.
    OtherInputs(String),
    /// It is no store, or one of another version.
    NotAStore(String),
}

impl std::fmt::Display for StoreError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            StoreError::Database(why) => write!(f, "{why}"),
            StoreError::OtherInputs(what) => write!(f, "{what}"),
            StoreError::NotAStore(why) => write!(f, "{why}"),
        }
    }
}

impl std::error::Error for StoreError {}

impl From<rusqlite::Error> for StoreError {
    fn from(error: rusqlite::Error) -> Self {
        let words = match error.sqlite_error_code() {
            Some(rusqlite::ErrorCode::DiskFull) => {
                "the disk is full; points that were finished are kept".into()
            }
            Some(rusqlite::ErrorCode::SystemIoFailure) => {
                format!(
                    "the file system refuses to read or write it ({error}); points that were finished are kept"
                )
            }
            Some(rusqlite::ErrorCode::ReadOnly) => "the file, or its folder, cannot be written to".into(),
            Some(rusqlite::ErrorCode::CannotOpen) => {
                "the file cannot be opened, or made: does its folder exist, and may it be written to?".into()
            }
            Some(rusqlite::ErrorCode::NotADatabase) => "the file is no store of results".into(),
            Some(rusqlite::ErrorCode::DatabaseBusy) => "the file is in use by another process".into(),
            _ => error.to_string(),
        };
        StoreError::Database(words)
    }
}

type Result<T> = std::result::Result<T, StoreError>;

impl Store {
    /// Opens the store of these inputs, or makes it; `is_shared` if it may lie on a file system that hosts share.
    ///
    /// # Errors
    /// The file cannot be used, or was made from something else.
    pub fn open(path: &Path, inputs: &SweepInputs, is_shared: bool) -> Result<Self> {
        let connection = Connection::open(path)?;
        connection.busy_timeout(std::time::Duration::from_secs(10))?;
        let set = |mode: &str| -> Result<String> {
            Ok(connection.query_row(&format!("PRAGMA journal_mode = {mode}"), [], |row| row.get(0))?)
        };
        if is_shared || set("WAL")? != "wal" {
            set("TRUNCATE")?;
        }
        connection.execute_batch("PRAGMA synchronous = NORMAL; PRAGMA foreign_keys = ON;")?;
        let mut store = Store { connection };
        match store.layout()? {
            0 => store.make(inputs)?,
            LAYOUT => {
                let found = store.inputs()?;
                if found != *inputs && store.is_empty()? {
                    store.say_inputs(inputs)?;
                } else if found != *inputs {
                    return Err(StoreError::OtherInputs(differences(&found, inputs)));
                }
            }
            other => return Err(of_another_layout(other)),
        }
        Ok(store)
    }

    /// Opens a store to read it.
    ///
    /// # Errors
    /// It is not there, or is no store.
    pub fn read(path: &Path) -> Result<Self> {
        if !path.is_file() {
            return Err(StoreError::NotAStore("there is no such file".into()));
        }
        let write = OpenFlags::SQLITE_OPEN_READ_WRITE;
        let store = Connection::open_with_flags(path, write).map(|connection| Store { connection })?;
        store.connection.busy_timeout(std::time::Duration::from_secs(10))?;
        let (store, layout) = match store.layout() {
            Ok(layout) => (store, layout),
            // Where nothing can be written, neither can the index of the log; a file without a log needs none.
            Err(_) if !with_ending(path, "-wal").exists() => {
                let name = path.to_string_lossy().replace('%', "%25").replace('?', "%3f").replace('#', "%23");
                let read = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI;
                let connection = Connection::open_with_flags(format!("file:{name}?immutable=1"), read)?;
                let store = Store { connection };
                let layout = store.layout()?;
                (store, layout)
            }
            Err(error) => return Err(error),
        };
        match layout {
            LAYOUT => Ok(store),
            0 => Err(StoreError::NotAStore("the file is no store of results".into())),
            other => Err(of_another_layout(other)),
        }
    }

    fn layout(&self) -> Result<i64> {
        Ok(self.connection.query_row("PRAGMA user_version", [], |row| row.get(0))?)
    }

    fn make(&mut self, inputs: &SweepInputs) -> Result<()> {
        let all = self.connection.transaction()?;
        // Two processes that begin at once: the second finds the tables of the first.
        let layout: i64 = all.query_row("PRAGMA user_version", [], |row| row.get(0))?;
        if layout == 0 {
            all.execute_batch(TABLES)?;
            all.execute("INSERT INTO inputs (text) VALUES (?1)", [json(inputs)?])?;
            all.pragma_update(None, "user_version", LAYOUT)?;
        }
        all.commit()?;
        Ok(())
    }

    fn is_empty(&self) -> Result<bool> {
        Ok(!self
            .connection
            .query_row("SELECT EXISTS (SELECT 1 FROM points)", [], |row| row.get::<_, bool>(0))?)
    }

    /// Of a store that holds nothing yet.
    fn say_inputs(&self, inputs: &SweepInputs) -> Result<()> {
        self.connection.execute("UPDATE inputs SET text = ?1", [json(inputs)?])?;
        self.connection.execute("DELETE FROM planned", [])?;
        Ok(())
    }

    /// What it was made from.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn inputs(&self) -> Result<SweepInputs> {
        let text: String = self.connection.query_row("SELECT text FROM inputs", [], |row| row.get(0))?;
        parsed(&text)
    }

    /// Says how many points a shard asks (K of N; 1 of 1 is the whole sweep).
    ///
    /// # Errors
    /// It could not be written.
    pub fn plan(&self, [shard, of]: [u64; 2], points: u64) -> Result<()> {
        let insert = "INSERT OR REPLACE INTO planned VALUES (?1, ?2, ?3)";
        self.connection.execute(insert, params![shard as i64, of as i64, points as i64])?;
        Ok(())
    }

    /// How many points the sweep asks in all; none while a shard of it has not begun.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn planned(&self) -> Result<Option<u64>> {
        let whole = "SELECT SUM(points) FROM planned GROUP BY of HAVING COUNT(*) = of ORDER BY of LIMIT 1";
        let points: Option<i64> = self.connection.query_row(whole, [], |row| row.get(0)).optional()?;
        Ok(points.map(|points| points as u64))
    }

    /// Numbers of the points that were asked as the scenario says.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn finished(&self) -> Result<HashSet<u64>> {
        let mut select = self.connection.prepare("SELECT number FROM points WHERE round IS NULL")?;
        let numbers = select.query_map([], |row| row.get::<_, i64>(0))?;
        numbers.map(|number| Ok(number? as u64)).collect()
    }

    fn rounds_of_points(&self) -> Result<HashMap<u64, Option<u32>>> {
        let mut select = self.connection.prepare("SELECT number, round FROM points")?;
        let rows = select.query_map([], |row| Ok((row.get::<_, i64>(0)? as u64, row.get(1)?)))?;
        rows.map(|row| Ok(row?)).collect()
    }

    /// How many of its points have an error.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn failed(&self) -> Result<u64> {
        let count = "SELECT COUNT(*) FROM points WHERE error IS NOT NULL";
        Ok(self.connection.query_row(count, [], |row| row.get::<_, i64>(0))? as u64)
    }

    /// How many points are in it, in whatever round they were asked.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn count(&self) -> Result<u64> {
        let count = "SELECT COUNT(*) FROM points";
        Ok(self.connection.query_row(count, [], |row| row.get::<_, i64>(0))? as u64)
    }

    /// Keeps a point, for good: it is there once this returns. One that is there already stays as it is, unless that was
    /// asked in an earlier round, or in a round at all where this is asked as the scenario says.
    ///
    /// # Errors
    /// It could not be written; nothing of it is kept then.
    pub fn keep(&mut self, found: &PointOutcome) -> Result<()> {
        let all = self.connection.transaction()?;
        let number = found.point.number as i64;
        all.prepare_cached("INSERT OR IGNORE INTO asked VALUES (?1, ?2, ?3)")?.execute(params![
            number,
            found.round.unwrap_or(AS_STATED),
            found.requests as i64
        ])?;
        all.prepare_cached("DELETE FROM points WHERE number = ?1 AND round < ?2")?
            .execute(params![number, found.round.unwrap_or(AS_STATED)])?;
        let is_new = all
            .prepare_cached("INSERT OR IGNORE INTO points VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)")?
            .execute(params![
                number,
                json(&found.point.sets)?,
                found.scenario_digest,
                found.error,
                found.round,
                json(&found.asked_with)?,
                found.requests as i64,
                found.answers
            ])?;
        if is_new > 0 {
            let mut insert = all.prepare_cached("INSERT INTO figures VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?;
            for (place, figure) in found.figures.iter().enumerate() {
                insert.execute(params![
                    number,
                    place as i64,
                    figure.name,
                    figure.value,
                    figure.low,
                    figure.high
                ])?;
            }
        }
        all.commit()?;
        Ok(())
    }

    /// What each round of a budget asked.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn rounds(&self) -> Result<Vec<RoundRow>> {
        let mut select = self
            .connection
            .prepare("SELECT round, COUNT(*), SUM(requests) FROM asked GROUP BY round ORDER BY round")?;
        let rows = select.query_map([], |row| {
            let (points, requests) = (row.get::<_, i64>(1)? as u64, row.get::<_, i64>(2)? as u64);
            let round = Some(row.get(0)?).filter(|round| *round != AS_STATED);
            Ok(RoundRow { round, points, requests })
        })?;
        rows.map(|row| Ok(row?)).collect()
    }

    /// Everything in it but whole answers.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn table(&self) -> Result<SweepTable> {
        let mut select = self
            .connection
            .prepare("SELECT number, sets, scenario_digest, error, round, asked_with, requests FROM points ORDER BY number")?;
        let rows = select.query_map([], |row| {
            let found = PointOutcome {
                point: PointSets { number: row.get::<_, i64>(0)? as u64, sets: Vec::new() },
                scenario_digest: row.get(2)?,
                error: row.get(3)?,
                round: row.get(4)?,
                asked_with: Vec::new(),
                answers: String::new(),
                figures: Vec::new(),
                requests: row.get::<_, i64>(6)? as u64,
            };
            Ok((found, row.get::<_, String>(1)?, row.get::<_, String>(5)?))
        })?;
        let mut points = Vec::new();
        for row in rows {
            let (mut found, sets, asked_with) = row?;
            found.point.sets = parsed(&sets)?;
            found.asked_with = parsed(&asked_with)?;
            found.figures = self.figures(found.point.number)?;
            points.push(found);
        }
        Ok(SweepTable { schema: 1, inputs: self.inputs()?, planned: self.planned()?, points })
    }

    fn figures(&self, point: u64) -> Result<Vec<KeptFigure>> {
        let mut select = self
            .connection
            .prepare_cached("SELECT name, value, low, high FROM figures WHERE point = ?1 ORDER BY place")?;
        let rows = select.query_map([point as i64], |row| {
            Ok(KeptFigure { name: row.get(0)?, value: row.get(1)?, low: row.get(2)?, high: row.get(3)? })
        })?;
        rows.map(|row| Ok(row?)).collect()
    }

    /// The whole answers of a point, as JSON.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn answers(&self, point: u64) -> Result<Option<String>> {
        let found = self.connection.query_row(
            "SELECT answers FROM points WHERE number = ?1",
            [point as i64],
            |row| row.get(0),
        );
        Ok(found.optional()?)
    }

    /// Takes over every point of another store that is not in this one; how many those were.
    ///
    /// # Errors
    /// It was made from something else, or cannot be read.
    pub fn take_over(&mut self, other: &Store) -> Result<u64> {
        let (here, there) = (self.inputs()?, other.inputs()?);
        if here != there {
            return Err(StoreError::OtherInputs(differences(&here, &there)));
        }
        let mut shards = other.connection.prepare("SELECT shard, of, points FROM planned")?;
        for row in shards.query_map([], |row| Ok([row.get(0)?, row.get(1)?, row.get::<_, i64>(2)?]))? {
            let [shard, of, points] = row?.map(|number| number as u64);
            self.plan([shard, of], points)?;
        }
        let known: HashMap<u64, Option<u32>> = self.rounds_of_points()?;
        let rank = |round: Option<u32>| round.unwrap_or(AS_STATED);
        let mut taken = 0;
        for mut found in other.table()?.points {
            if known.get(&found.point.number).is_some_and(|held| rank(*held) >= rank(found.round)) {
                continue;
            }
            found.answers = other.answers(found.point.number)?.unwrap_or_else(|| "{}".into());
            self.keep(&found)?;
            taken += 1;
        }
        Ok(taken)
    }
}

fn parsed<T: serde::de::DeserializeOwned>(text: &str) -> Result<T> {
    serde_json::from_str(text).map_err(|error| StoreError::NotAStore(error.to_string()))
}

fn with_ending(path: &Path, ending: &str) -> std::path::PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    name.into()
}

fn json<T: serde::Serialize>(value: &T) -> Result<String> {
    serde_json::to_string(value).map_err(|error| StoreError::Database(error.to_string()))
}

fn of_another_layout(layout: i64) -> StoreError {
    StoreError::NotAStore(format!("the file has layout {layout}, and this version reads {LAYOUT}"))
}

/// What is unlike in two inputs, in words, line by line where texts differ.
fn differences(stored: &SweepInputs, now: &SweepInputs) -> String {
    let mut said = vec!["the file was made from something else:".to_owned()];
    if stored.tool != now.tool {
        said.push(format!("  tool: {} there, {} now", stored.tool, now.tool));
    }
    for (what, there, here) in
        [("sweep file", &stored.sweep, &now.sweep), ("base scenario", &stored.base, &now.base)]
    {
        let unlike = there.lines().zip(here.lines()).enumerate().find(|(_, (there, here))| there != here);
        match unlike {
            Some((number, (there, here))) => {
                said.push(format!("  {what}, line {}:\n    there: {there}\n    now:   {here}", number + 1));
            }
            None if there != here => said.push(format!(
                "  {what}: {} lines there, {} now",
                there.lines().count(),
                here.lines().count()
            )),
            None => {}
        }
    }
    for name in stored.files.keys().chain(now.files.keys()).collect::<std::collections::BTreeSet<_>>() {
        if stored.files.get(name) != now.files.get(name) {
            said.push(format!("  {name}: other content"));
        }
    }
    said.join("\n")
}
