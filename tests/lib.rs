//! Nothing lives here: each folder beside this file is a test of its own, named in `Cargo.toml`.
