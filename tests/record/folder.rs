//! The folder: complete, checkable, and never at the expense of somebody else's file.

use crate::fixture;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use stopwright::record::Record;
use stopwright::record::folder::{self, Contents, FolderError, IfNotEmpty, Written};

fn write(
    folder: &Path,
    record: &Record,
    traces: usize,
    mode: IfNotEmpty,
) -> Result<Written, FolderError> {
    let traces = fixture::traces(record, traces);
    let contents = Contents {
        record,
        settings: Some("schema = 1\n"),
        traces: &traces,
    };
    folder::write(folder, &contents, mode)
}

fn all_files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut files = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path
                    .strip_prefix(folder)
                    .unwrap()
                    .to_string_lossy()
                    .replace('\\', "/");
                files.insert(name, fs::read(&path).unwrap());
            }
        }
    }
    files
}

#[test]
fn a_new_folder_holds_every_file_and_equal_input_gives_equal_bytes() {
    let place = tempfile::tempdir().unwrap();
    let (a, b) = (place.path().join("a/deep"), place.path().join("b"));
    let written = write(&a, &fixture::rehearsal(), 2, IfNotEmpty::Refuse).unwrap();
    write(&b, &fixture::rehearsal(), 2, IfNotEmpty::Refuse).unwrap();
    let files = all_files(&a);
    let names: Vec<&str> = files.keys().map(String::as_str).collect();
    let expected = [
        "SHA256SUMS",
        "record.html",
        "record.json",
        "settings.toml",
        "stops.csv",
        "traces/stop-001.csv",
        "traces/stop-002.csv",
    ];
    assert_eq!(names, expected);
    assert_eq!(written.files, expected.len());
    assert_eq!(files, all_files(&b));
    assert!(written.page.is_file() && written.data.is_file());
}

#[test]
fn the_list_of_digests_fits_the_files_and_the_page_names_the_data() {
    let place = tempfile::tempdir().unwrap();
    write(place.path(), &fixture::rehearsal(), 3, IfNotEmpty::Refuse).unwrap();
    let files = all_files(place.path());
    let list = String::from_utf8(files["SHA256SUMS"].clone()).unwrap();
    assert_eq!(list.lines().count(), files.len() - 1);
    for line in list.lines() {
        let (digest, name) = line.split_once("  ").unwrap();
        assert_eq!(digest, folder::sha256(&files[name]), "{name}");
    }
    let page = String::from_utf8(files["record.html"].clone()).unwrap();
    assert!(page.contains(&folder::sha256(&files["record.json"])));
    let data = String::from_utf8(files["record.json"].clone()).unwrap();
    assert!(data.contains(&folder::sha256(&files["settings.toml"])));
    assert!(data.contains(&folder::sha256(&files["stops.csv"])));
    let traces: String = list
        .lines()
        .filter(|l| l.contains("traces/"))
        .map(|l| format!("{l}\n"))
        .collect();
    assert!(data.contains(&folder::sha256(traces.as_bytes())));
}

#[test]
fn nothing_of_the_machine_enters_the_files() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("tell-tale-folder");
    write(&folder, &fixture::study(), 1, IfNotEmpty::Refuse).unwrap();
    for (name, bytes) in all_files(&folder) {
        assert!(
            !String::from_utf8_lossy(&bytes).contains("tell-tale"),
            "{name}"
        );
    }
}

#[test]
fn a_folder_that_is_not_empty_is_refused_and_left_alone() {
    let place = tempfile::tempdir().unwrap();
    fs::write(place.path().join("thesis.txt"), "mine").unwrap();
    let error = write(place.path(), &fixture::study(), 1, IfNotEmpty::Refuse).unwrap_err();
    assert!(matches!(error, FolderError::NotEmpty(_)));
    assert!(
        error
            .to_string()
            .contains(&place.path().display().to_string())
    );
    assert_eq!(all_files(place.path()).len(), 1);
    assert!(folder::check(place.path(), IfNotEmpty::Refuse).is_err());
}

#[test]
fn replacing_takes_away_the_earlier_record_and_nothing_else() {
    let place = tempfile::tempdir().unwrap();
    write(place.path(), &fixture::rehearsal(), 3, IfNotEmpty::Refuse).unwrap();
    fs::write(place.path().join("thesis.txt"), "mine").unwrap();
    fs::write(place.path().join("traces/notes.csv"), "mine").unwrap();
    write(place.path(), &fixture::study(), 1, IfNotEmpty::Replace).unwrap();
    let files = all_files(place.path());
    assert_eq!(files["thesis.txt"], b"mine");
    assert_eq!(files["traces/notes.csv"], b"mine");
    assert!(files.contains_key("traces/stop-001.csv"));
    assert!(!files.contains_key("traces/stop-002.csv"));
    assert!(String::from_utf8_lossy(&files["record.html"]).contains("Study of recorded stops"));
}

#[test]
fn a_file_changed_after_it_was_written_is_not_replaced() {
    let place = tempfile::tempdir().unwrap();
    write(place.path(), &fixture::rehearsal(), 1, IfNotEmpty::Refuse).unwrap();
    fs::write(
        place.path().join("settings.toml"),
        "schema = 1 # tuned by hand\n",
    )
    .unwrap();
    let before = all_files(place.path());
    let error = write(place.path(), &fixture::study(), 1, IfNotEmpty::Replace).unwrap_err();
    assert!(error.to_string().contains("settings.toml"), "{error}");
    assert_eq!(all_files(place.path()), before);
}

#[test]
fn a_foreign_file_with_a_name_of_ours_is_not_replaced() {
    let place = tempfile::tempdir().unwrap();
    fs::write(place.path().join("record.html"), "mine").unwrap();
    let error = write(place.path(), &fixture::study(), 1, IfNotEmpty::Replace).unwrap_err();
    assert!(matches!(error, FolderError::Foreign(_)), "{error}");
    assert_eq!(all_files(place.path()).len(), 1);
}

#[test]
fn a_list_that_leads_out_of_the_folder_deletes_nothing() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("record");
    fs::create_dir(&folder).unwrap();
    fs::write(place.path().join("victim.txt"), "mine").unwrap();
    let digest = folder::sha256(b"mine");
    for name in [
        "../victim.txt",
        "traces/stop-../x.csv",
        "traces/stop-1.csv",
        "/etc/hosts",
    ] {
        fs::write(folder.join("SHA256SUMS"), format!("{digest}  {name}\n")).unwrap();
        let error = write(&folder, &fixture::study(), 1, IfNotEmpty::Replace).unwrap_err();
        assert!(error.to_string().contains("SHA256SUMS, line 1"), "{error}");
    }
    assert!(place.path().join("victim.txt").is_file());
}

#[test]
fn a_file_in_the_place_of_the_folder_is_refused() {
    let place = tempfile::tempdir().unwrap();
    let file = place.path().join("out");
    fs::write(&file, "mine").unwrap();
    let error = write(&file, &fixture::study(), 1, IfNotEmpty::Replace).unwrap_err();
    assert!(matches!(error, FolderError::NotAFolder(_)));
    let beneath = write(
        &file.join("deeper"),
        &fixture::study(),
        1,
        IfNotEmpty::Refuse,
    )
    .unwrap_err();
    assert!(beneath.to_string().contains("deeper"), "{beneath}");
}

#[test]
fn a_record_that_cannot_be_written_leaves_no_folder_behind() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("record");
    let mut record = fixture::study();
    record.limits[0].latch_ms = Some(f64::NAN);
    let error = write(&folder, &record, 1, IfNotEmpty::Refuse).unwrap_err();
    assert!(error.to_string().contains("limits[0].latch_ms"), "{error}");
    assert!(!folder.exists());
}

#[test]
fn two_traces_of_one_stop_are_refused() {
    let place = tempfile::tempdir().unwrap();
    let record = fixture::study();
    let mut traces = fixture::traces(&record, 1);
    traces.extend(fixture::traces(&record, 1));
    let contents = Contents {
        record: &record,
        settings: None,
        traces: &traces,
    };
    let error = folder::write(place.path(), &contents, IfNotEmpty::Refuse).unwrap_err();
    assert!(matches!(error, FolderError::TraceTwice(_)));
}
