//! One seed, one record, to the byte.

use crate::support::{options, press, run};
use std::collections::BTreeMap;
use std::path::Path;
use stopwright::record::folder::{Contents, IfNotEmpty, write};

/// All files of the folder that a rehearsal of press B leaves with this seed.
fn files(seed: u64) -> BTreeMap<String, Vec<u8>> {
    let mut options = options(&press("B"));
    options.seed = seed;
    options.stops = 10;
    let done = run(&options).done;
    let folder = tempfile::tempdir().expect("a folder");
    let contents = Contents {
        record: &done.record,
        settings: done.settings.as_deref(),
        traces: &done.traces,
    };
    write(folder.path(), &contents, IfNotEmpty::Refuse).expect("a written record");
    let mut files = BTreeMap::new();
    gather(folder.path(), "", &mut files);
    files
}

fn gather(folder: &Path, before: &str, files: &mut BTreeMap<String, Vec<u8>>) {
    for entry in std::fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        let name = path.file_name().expect("a name").to_string_lossy();
        let name = format!("{before}{name}");
        if path.is_dir() {
            gather(&path, &format!("{name}/"), files);
        } else {
            files.insert(name, std::fs::read(&path).expect("a file"));
        }
    }
}

#[test]
fn equal_seeds_give_equal_folders_and_other_seeds_others() {
    let (first, second, other) = (files(7), files(7), files(8));
    assert!(first.contains_key("record.json") && first.contains_key("settings.toml"));
    assert!(first.len() > 40, "{:?}", first.keys());
    assert!(first.keys().eq(second.keys()));
    for (name, bytes) in &first {
        assert!(bytes == &second[name], "{name} differs");
    }
    for name in [
        "record.json",
        "stops.csv",
        "settings.toml",
        "traces/stop-001.csv",
    ] {
        assert!(first[name] != other[name], "{name} does not know the seed");
    }
}
