//! Puts the memory map where the linker looks for it.
use std::{env, fs, path::PathBuf};

fn main() {
    let out = PathBuf::from(env::var_os("OUT_DIR").expect("set by cargo"));
    fs::copy("memory.x", out.join("memory.x")).expect("memory.x is beside this file");
    println!("cargo:rustc-link-search={}", out.display());
    // The table of log texts, for the image that logs.
    println!("cargo:rustc-link-arg-bin=log=-Tdefmt.x");
    println!("cargo:rerun-if-changed=memory.x");
}
