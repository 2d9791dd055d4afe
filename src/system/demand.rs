//! The demands that depend on a request's size or kind, by name.
//!
//! The engine asks for them by number (`Demand::Asked`); `Path::service` answers.

/// A demand that the path is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u32)]
pub(super) enum Ask {
    ReadCommand,
    ReadData,
    ReadAcknowledgements,
    WriteWithData,
    WriteWithDataAcknowledgements,
    WriteCommand,
    WriteReady,
    WriteData,
    WriteAcknowledgements,
    WriteResponse,
    UplinkSubmission,
    UplinkWrite,
    UplinkRead,
    UplinkCompletion,
    DriveSubmission,
    DriveWrite,
    DriveRead,
    DriveCompletion,
    Program,
}

impl Ask {
    const ALL: [Ask; 19] = [
        Ask::ReadCommand,
        Ask::ReadData,
        Ask::ReadAcknowledgements,
        Ask::WriteWithData,
        Ask::WriteWithDataAcknowledgements,
        Ask::WriteCommand,
        Ask::WriteReady,
        Ask::WriteData,
        Ask::WriteAcknowledgements,
        Ask::WriteResponse,
        Ask::UplinkSubmission,
        Ask::UplinkWrite,
        Ask::UplinkRead,
        Ask::UplinkCompletion,
        Ask::DriveSubmission,
        Ask::DriveWrite,
        Ask::DriveRead,
        Ask::DriveCompletion,
        Ask::Program,
    ];

    #[inline]
    pub fn numbered(number: u32) -> Ask {
        Ask::ALL[number as usize]
    }
}

/// What the path is asked at a fork, an `Ask` step or a member pick.
pub(super) mod question {
    /// Fork: cut at chunk edges.
    pub const FRAGMENTS: u32 = 0;
    /// Fork: cut at flash pages, each on a unit drawn at random.
    pub const PAGES: u32 = 1;
    /// Fork: the full programs of a drive's buffer, dealt to its units in turn.
    pub const PROGRAMS: u32 = 2;
    /// Ask: does the write wait for a ready message?
    pub const READY: u32 = 3;
    /// Ask: is the fragment one page? Then no fork is needed.
    pub const ONE_PAGE: u32 = 4;
    /// Ask: does the write fill a program of its drive? It is counted there.
    pub const PROGRAM_IS_FULL: u32 = 5;
    /// Ask: has the drive's cleaner a page to read?
    pub const CLEANER_READS: u32 = 6;
    /// Fork: those pages.
    pub const CLEANER_PAGES: u32 = 7;
    /// Ask: has the drive's cleaner a program to write?
    pub const CLEANER_WRITES: u32 = 8;
    /// Fork: those programs.
    pub const CLEANER_PROGRAMS: u32 = 9;
    /// Ask: does a read find its blocks in the cache?
    pub const CACHED: u32 = 10;
    /// Pick: the uplink of the drive.
    pub const UPLINK: u16 = 0;
    /// Pick: the drive's link towards the processor.
    pub const LINK_UP: u16 = 1;
    /// Pick: the drive's link towards the drive.
    pub const LINK_DOWN: u16 = 2;
    /// Pick: the unit among all units of all drives.
    pub const UNIT: u16 = 3;
    /// Pick: the machine's own gate.
    pub const MACHINE: u16 = 4;
}

#[cfg(test)]
mod tests {
    use super::Ask;

    #[test]
    fn numbers_name_the_same_demand_both_ways() {
        for (number, ask) in Ask::ALL.into_iter().enumerate() {
            assert_eq!(ask as usize, number);
        }
    }
}
