//! What the core stands on, and what it is never allowed.

use crate::source::{code, files, root};
use serde_json::Value;
use std::collections::BTreeMap;
use std::process::Command;

/// Everything that is linked into the core, with the reason.
const ALLOWED: [(&str, &str); 13] = [
    (
        "fixed",
        "fixed-point numbers with the overflow rule in the verb",
    ),
    ("az", "of fixed: casts between its numbers"),
    ("bytemuck", "of fixed: its numbers as plain bytes"),
    (
        "half",
        "of fixed: conversion from 16-bit floats, unused here",
    ),
    ("cfg-if", "of half: one macro"),
    ("zerocopy", "of half: its numbers as plain bytes"),
    (
        "typenum",
        "of fixed: the number of fractional bits as a type",
    ),
    ("heapless", "collections of fixed capacity"),
    ("hash32", "of heapless: hashes for its maps"),
    ("byteorder", "of hash32: bytes to words"),
    ("stable_deref_trait", "of heapless: a marker for its pools"),
    ("crc", "checksum of stored blocks"),
    (
        "crc-catalog",
        "of crc: the parameters of the known polynomials",
    ),
];

fn cargo(arguments: &[&str]) -> String {
    let cargo = std::env::var("CARGO").unwrap_or_else(|_| "cargo".to_owned());
    let output = Command::new(cargo)
        .current_dir(root())
        .args(arguments)
        .arg("--locked")
        .output()
        .expect("cargo runs");
    let problem = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{problem}");
    String::from_utf8(output.stdout).expect("text")
}

/// Name and features of every crate linked into the core.
fn linked() -> BTreeMap<String, Vec<String>> {
    let tree = cargo(&[
        "tree",
        "--package=stopwright-core",
        "--edges=normal,no-proc-macro",
        "--prefix=none",
        "--format={p}|{f}",
        "--no-dedupe",
    ]);
    let crates = tree.lines().filter_map(|line| {
        let (name, features) = line.split_once('|')?;
        let name = name.split(' ').next()?.to_owned();
        Some((name, features.split(',').map(str::to_owned).collect()))
    });
    crates
        .filter(|(name, _)| name != "stopwright-core")
        .collect()
}

#[test]
fn the_core_links_what_is_listed_with_a_reason_and_nothing_else() {
    let mut listed: Vec<&str> = ALLOWED.iter().map(|(name, _)| *name).collect();
    listed.sort();
    let linked = linked();
    assert_eq!(
        linked.keys().map(String::as_str).collect::<Vec<_>>(),
        listed
    );
    assert!(ALLOWED.iter().all(|(_, reason)| !reason.is_empty()));
}

/// Crates that could use std have a feature of that name, and here it is off.
#[test]
fn no_crate_under_the_core_has_std_or_an_allocator_switched_on() {
    for (name, features) in linked() {
        let is_off = |word: &str| features.iter().all(|feature| feature != word);
        assert!(is_off("std") && is_off("alloc"), "{name}: {features:?}");
    }
}

#[test]
fn every_crate_under_the_core_says_that_it_can_do_without_std() {
    let host = host();
    let filter = format!("--filter-platform={host}");
    let metadata: Value =
        serde_json::from_str(&cargo(&["metadata", "--format-version=1", &filter])).expect("JSON");
    let linked = linked();
    let mut read = 0;
    for package in metadata["packages"].as_array().expect("packages") {
        let name = package["name"].as_str().expect("a name");
        if !linked.contains_key(name) {
            continue;
        }
        let is_library = |target: &&Value| target["kind"][0] == "lib";
        let targets = package["targets"].as_array().expect("targets");
        let library = targets.iter().find(is_library).expect("a library");
        let source = library["src_path"].as_str().expect("a path");
        let code = code(source.as_ref());
        let attribute = code.lines().find(|line| {
            line.starts_with("#![no_std]")
                || (line.starts_with("#![cfg_attr(not(") && line.ends_with("no_std)]"))
        });
        assert!(attribute.is_some(), "{name}: {source}");
        read += 1;
    }
    assert!(read >= linked.len(), "{read} of {} read", linked.len());
}

fn host() -> String {
    let rustc = std::env::var("RUSTC").unwrap_or_else(|_| "rustc".to_owned());
    let output = Command::new(rustc).arg("-vV").output().expect("rustc runs");
    let text = String::from_utf8(output.stdout).expect("text");
    let host = text.lines().find_map(|line| line.strip_prefix("host: "));
    host.expect("rustc says its host").to_owned()
}

#[test]
fn the_core_has_no_std_and_forbids_unsafe_code_without_conditions() {
    let code = code(&root().join("core/src/lib.rs"));
    for attribute in ["#![no_std]", "#![forbid(unsafe_code)]"] {
        assert!(code.lines().any(|line| line == attribute), "{attribute}");
    }
}

#[test]
fn std_enters_the_core_in_tests_only() {
    for file in files(&root().join("core/src"), "rs") {
        let code = code(&file);
        let product = code.split("#[cfg(test)]").next().unwrap_or_default();
        for word in ["std::", "extern crate alloc", "alloc::"] {
            let used = product.match_indices(word).any(|(at, _)| {
                let before = product[..at].chars().next_back();
                before.is_none_or(|c| !c.is_alphanumeric() && c != '_')
            });
            assert!(!used, "{}: {word}", file.display());
        }
    }
}

#[test]
fn unsafe_code_is_forbidden_in_every_package() {
    let manifest = |folder: &str| -> toml::Table {
        let file = root().join(folder).join("Cargo.toml");
        let text = std::fs::read_to_string(file).expect("a manifest");
        text.parse().expect("TOML")
    };
    let workspace = manifest(".");
    let shared = &workspace["workspace"]["lints"]["rust"]["unsafe_code"];
    assert_eq!(shared.as_str(), Some("forbid"));
    for member in workspace["workspace"]["members"]
        .as_array()
        .expect("members")
    {
        let member = member.as_str().expect("a folder");
        let lints = &manifest(member)["lints"];
        let is_shared = lints.get("workspace").and_then(toml::Value::as_bool);
        let own = lints.get("rust").and_then(|rust| rust.get("unsafe_code"));
        let is_forbidden = own.and_then(toml::Value::as_str) == Some("forbid");
        assert!(is_shared == Some(true) || is_forbidden, "{member}");
    }
}
