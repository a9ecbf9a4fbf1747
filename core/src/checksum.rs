//! The checksum of stored blocks and of messages between channels: CRC-32/ISO-HDLC.

use crc::{CRC_32_ISO_HDLC, Crc};

/// The parameters, with their table.
static CRC: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);

/// The checksum of `bytes`.
pub fn checksum(bytes: &[u8]) -> u32 {
    CRC.checksum(bytes)
}
