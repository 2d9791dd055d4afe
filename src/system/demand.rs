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
    Parity,
    Reconstruct,
    /// A drive's own times, where a fault may make them longer.
    Sense,
    Command,
    Service,
}

impl Ask {
    const ALL: [Ask; 24] = [
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
        Ask::Parity,
        Ask::Reconstruct,
        Ask::Sense,
        Ask::Command,
        Ask::Service,
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
    /// Ask: a read of protected data notes what the processor will have to take in for it.
    pub const PLAN_READ: u32 = 11;
    /// Ask: so does a write; if nothing need be read first, it leaves out the round of reads.
    pub const PLAN_WRITE: u32 = 12;
    /// Ask: what was read is there; the draws of the next round are others.
    pub const NEXT_ROUND: u32 = 13;
    /// Ask: has the processor nothing to take in? Then it is left out.
    pub const NOTHING_CODED: u32 = 14;
    /// Ask: counts the bytes of a fragment that a drive is to read.
    pub const AT_DRIVE_READ: u32 = 15;
    /// Ask: or to write.
    pub const AT_DRIVE_WRITE: u32 = 16;
    /// Fork: the drive reads of a request to protected data.
    pub const READS: u32 = 17;
    /// Fork: its drive writes.
    pub const WRITES: u32 = 18;
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
