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
    CpuRead,
    CpuWrite,
    Deliver,
    Work,
    PartnerLong,
    PartnerShort,
    LogTransfer,
    MemoryReceive,
    MemoryReduce,
    MemorySend,
    ArmRead,
    ArmWrite,
    /// A drive's own times, where a fault may make them longer.
    Sense,
    Command,
    Service,
    Failover,
}

impl Ask {
    const ALL: [Ask; 37] = [
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
        Ask::CpuRead,
        Ask::CpuWrite,
        Ask::Deliver,
        Ask::Work,
        Ask::PartnerLong,
        Ask::PartnerShort,
        Ask::LogTransfer,
        Ask::MemoryReceive,
        Ask::MemoryReduce,
        Ask::MemorySend,
        Ask::ArmRead,
        Ask::ArmWrite,
        Ask::Sense,
        Ask::Command,
        Ask::Service,
        Ask::Failover,
    ];

    /// The demand of a number, and the place that it is asked for.
    #[inline]
    pub fn numbered(number: u32) -> (Ask, u32) {
        (Ask::ALL[(number % PLACE) as usize], number / PLACE)
    }
}

/// Numbers of one place: more than there are demands.
const PLACE: u32 = 1 << 8;

/// The number of a demand at one of several places that answer it differently: a link of the fabric's tree.
pub(super) fn at_place(ask: Ask, place: u32) -> u32 {
    ask as u32 + place * PLACE
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
    /// Ask: steps before the way down the fabric's tree to the drive.
    pub const WAY_DOWN: u32 = 60;
    /// Ask: or before the way up from it.
    pub const WAY_UP: u32 = 61;
    /// Fork: a write's part for each of the two logs.
    pub const BOTH_LOGS: u32 = 19;
    /// Fork: the processor's work on the blocks of a stripe.
    pub const WORK: u32 = 20;
    /// Ask: did the request arrive at its owner's port? Then it crosses no partner link.
    pub const AT_OWNER: u32 = 21;
    /// Ask: is the log of this part the owner's? Likewise.
    pub const AT_HOME: u32 = 22;
    /// Ask: the logs hold the write.
    pub const COMMITTED: u32 = 23;
    /// Ask: may another stripe be destaged? If not, none is begun.
    pub const DESTAGE_IS_DUE: u32 = 24;
    /// Ask: takes the first stripe from the log, or a further one; without, the job ends.
    pub const TAKE: u32 = 25;
    pub const TAKE_NEXT: u32 = 26;
    /// Ask: is anything read before the stripe is written?
    pub const READS_FIRST: u32 = 27;
    /// Ask: do its blocks take the processor time?
    pub const HAS_WORK: u32 = 28;
    /// Ask: notes what parity the processor makes for the stripe that is written next.
    pub const PLAN_STRIPE: u32 = 29;
    /// Ask: has the cleaner a stripe to move?
    pub const CLEANS: u32 = 30;
    /// Ask: the stripe's room in the log is free.
    pub const RELEASED: u32 = 31;
    /// Ask: the stripe is read again to be reduced.
    pub const BEGIN_PASS: u32 = 32;
    /// Ask: does that fill a stripe?
    pub const PASS_FILLS: u32 = 33;
    /// Ask: the job is done.
    pub const DONE: u32 = 34;
    /// Ask: a write with no log becomes a job of its own.
    pub const BEGIN_WRITE: u32 = 35;
    /// Ask: does it store anything? If not, it writes no stripe.
    pub const STORES: u32 = 36;
    /// Ask: is a token of the cleaner's due?
    pub const CLEANING_IS_DUE: u32 = 37;
    /// Ask: the token becomes the cleaner's.
    pub const BEGIN_CLEANING: u32 = 38;
    /// Ask: has a stream to be read ahead?
    pub const PREFETCHES: u32 = 39;
    /// Ask: the token reads ahead.
    pub const BEGIN_PREFETCH: u32 = 40;
    /// Ask: does a look-up of the block map miss?
    pub const MAP_MISSES: u32 = 41;
    /// Fork: the drive read of that entry.
    pub const MAP_READ: u32 = 42;
    /// Ask: does the request wait for a failover?
    pub const FAILS_OVER: u32 = 43;
    /// Ask: a fragment is done at its drive.
    pub const LEFT_DRIVE: u32 = 44;
    /// Quantity: room in the log; what of it was held already.
    pub const LOG_ROOM: u16 = 0;
    pub const LOG_OVERWRITTEN: u16 = 1;
    /// Pick: the controller that owns the machine's volume; it, or the other one, as the sender on the link.
    pub const CONTROLLER: u16 = 5;
    pub const FROM_OWNER: u16 = 5;
    pub const FROM_PARTNER: u16 = 6;
    /// Pick: the log of a write's part.
    pub const LOG_OF_PART: u16 = 7;
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
    /// Pick: the machine's host.
    pub const HOST: u16 = 20;
    /// Pick: the machine's port among those of all hosts.
    pub const HOST_PORT: u16 = 21;
}

#[cfg(test)]
mod tests {
    use super::{Ask, at_place};

    #[test]
    fn numbers_name_the_same_demand_both_ways() {
        for (number, ask) in Ask::ALL.into_iter().enumerate() {
            assert_eq!(ask as usize, number);
            assert_eq!(Ask::numbered(at_place(ask, 7)), (ask, 7));
        }
    }
}
