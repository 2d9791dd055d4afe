//! tmp
fn main() {}
