//! The stream under a trace: gzip or plain, lines of bounded length, and the layout by its head.

use std::borrow::Cow;
use std::io::{self, BufRead, BufReader, Chain, Cursor, Read};

use flate2::bufread::MultiGzDecoder;

use super::error::{Complaint, Place, TraceError, quoted};
use super::{columns, events, records};
use crate::scenario::TraceFormat;

/// Bytes looked at to find the layout.
const HEAD: u64 = 16 << 10;
/// Longest line: far above any trace's, and it bounds memory on a file without line ends.
const LINE_MAX: u64 = 64 << 10;

const BYTE_ORDER_MARK: &[u8] = &[0xEF, 0xBB, 0xBF];

/// An open trace.
pub(super) struct Input {
    stream: Chain<Cursor<Vec<u8>>, BufReader<Box<dyn Read>>>,
    head: Vec<u8>,
    place: Place,
    line: Vec<u8>,
}

impl Input {
    /// Opens the stream, unpacks it if it is gzip, and looks at its head.
    pub(super) fn open(stream: Box<dyn Read>, name: &str) -> Result<Self, TraceError> {
        let mut raw = BufReader::with_capacity(1 << 16, stream);
        let fail = |e: io::Error| unreadable(&e).of(name, Place::File);
        let packed = raw.fill_buf().map_err(fail)?.starts_with(&[0x1F, 0x8B]);
        let plain: Box<dyn Read> = if packed { Box::new(MultiGzDecoder::new(raw)) } else { Box::new(raw) };
        let mut rest = BufReader::with_capacity(1 << 16, plain);
        let mut head = Vec::new();
        (&mut rest).take(HEAD).read_to_end(&mut head).map_err(fail)?;
        let stream = Cursor::new(head.clone()).chain(rest);
        Ok(Input { stream, head, place: Place::File, line: Vec::new() })
    }

    /// The first bytes, unpacked.
    pub(super) fn head(&self) -> &[u8] {
        &self.head
    }

    /// Where reading stands.
    pub(super) fn place(&self) -> Place {
        self.place
    }

    /// The next line without its end, as text (bytes that are not UTF-8 replaced); `None` at the end.
    pub(super) fn line(&mut self) -> Result<Option<Cow<'_, str>>, Complaint> {
        let number = if let Place::Line(n) = self.place { n + 1 } else { 1 };
        self.line.clear();
        let read = (&mut self.stream).take(LINE_MAX).read_until(b'\n', &mut self.line);
        self.place = Place::Line(number);
        let read = read.map_err(|e| unreadable(&e))?;
        if read as u64 == LINE_MAX {
            return Err(Complaint::new(
                "the line is longer than 64 KiB",
                "lines of text",
                "state the layout if it was guessed wrong, e.g. format = \"scsi-records\"",
            ));
        }
        if read == 0 {
            return Ok(None);
        }
        let mut bytes = self.line.as_slice();
        if number == 1 {
            bytes = bytes.strip_prefix(BYTE_ORDER_MARK).unwrap_or(bytes);
        }
        while let [rest @ .., b'\n' | b'\r'] = bytes {
            bytes = rest;
        }
        Ok(Some(String::from_utf8_lossy(bytes)))
    }

    /// The next binary record: how many of its bytes are there.
    pub(super) fn record(&mut self, record: &mut [u8]) -> Result<usize, Complaint> {
        let number = if let Place::Record(n) = self.place { n + 1 } else { 1 };
        self.place = Place::Record(number);
        let mut filled = 0;
        while filled < record.len() {
            match self.stream.read(&mut record[filled..]) {
                Ok(0) => break,
                Ok(n) => filled += n,
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(unreadable(&e)),
            }
        }
        Ok(filled)
    }
}

fn unreadable(error: &io::Error) -> Complaint {
    Complaint::new(
        format!("reading failed ({error})"),
        "a whole file",
        "a gzip file may be cut short or damaged: fetch it again",
    )
}

/// The layout that the head of the file speaks for.
pub(super) fn recognise(head: &[u8]) -> Result<TraceFormat, Complaint> {
    if head.is_empty() {
        return Err(Complaint::new("the file is empty", "a block trace", "check the file's name"));
    }
    if records::looks_like(head) {
        return Ok(TraceFormat::ScsiRecords);
    }
    let text = String::from_utf8_lossy(head);
    let first = text.trim_start_matches('\u{FEFF}').lines().find(|l| !l.trim().is_empty()).unwrap_or("");
    if text.lines().take(20).any(events::is_block_event) {
        return Ok(TraceFormat::BlockEvents);
    }
    if events::is_host_record(first) {
        return Ok(TraceFormat::HostCsv);
    }
    columns::looks_like(first).ok_or_else(|| {
        Complaint::new(
            format!("the layout is not recognised: the file begins with {}", quoted(first)),
            "a CSV header such as time_s,op,offset,size, or one of the layouts csv, block-csv, block-events, host-csv, \
             lun-csv, scsi-records",
            "name the columns in a first line, or state the layout, e.g. format = \"block-events\"",
        )
        .of_file()
    })
}
