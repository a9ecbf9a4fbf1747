//! `reader IMAGE LOGS`: the log frames of a file in words, with the texts that stayed in the image.

use defmt_decoder::{DecodeError, Table};
use std::error::Error;

fn main() -> Result<(), Box<dyn Error>> {
    let paths: Vec<String> = std::env::args().skip(1).collect();
    let [image, logs] = &paths[..] else {
        return Err("reader IMAGE LOGS".into());
    };
    let table = Table::parse(&std::fs::read(image)?)?.ok_or("the image has no log texts")?;
    let mut decoder = table.new_stream_decoder();
    decoder.received(&std::fs::read(logs)?);
    loop {
        match decoder.decode() {
            // A number in fixed point is logged as text and shown in quotes; at a desk it has none.
            Ok(frame) => println!("{}", frame.display_message().to_string().replace('"', "")),
            Err(DecodeError::UnexpectedEof) => return Ok(()),
            Err(DecodeError::Malformed) => return Err("frames that can not be read".into()),
        }
    }
}
