//! What a machine asks for: one read or write.

use crate::engine::Key;
use crate::scenario::Operation;

/// A request as it leaves its machine.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Request {
    /// Names every draw made for it: mix(seed, class name, request number).
    pub key: Key,
    /// Index of its class.
    pub class: u16,
    /// Number of its machine within the class.
    pub machine: u32,
    /// Number of the source it came from, as [`super::Sources`] counts them.
    pub source: u32,
    /// Read or write.
    pub operation: Operation,
    /// Whether it starts where an earlier request of its stream ended.
    pub sequential: bool,
    /// Byte offset in the machine's volume.
    pub address: u64,
    /// Bytes asked for, at least 1.
    pub bytes: u32,
}
