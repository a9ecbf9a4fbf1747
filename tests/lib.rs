//! Nothing lives here: each folder beside this file is a test of its own, named in `Cargo.toml`
//! (`documents`, which runs the command, in that of the command's package).
