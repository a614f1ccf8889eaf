//! House rules that a test can see.

#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

use std::path::{Path, PathBuf};
use std::process::Command;

/// The files that belong to the project: what git tracks, or everything where there is no git.
fn project_files() -> Vec<PathBuf> {
    let listed = Command::new("git").args(["ls-files"]).output();
    match listed {
        Ok(output) if output.status.success() && !output.stdout.is_empty() => {
            let text = String::from_utf8(output.stdout).unwrap();
            text.lines().map(PathBuf::from).filter(|path| path.exists()).collect()
        }
        _ => walk(Path::new(".")),
    }
}

fn walk(directory: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for entry in std::fs::read_dir(directory).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap();
        if name == "target" || name == ".git" {
            continue;
        }
        if path.is_dir() {
            files.extend(walk(&path));
        } else {
            files.push(path.strip_prefix("./").unwrap_or(&path).to_owned());
        }
    }
    files
}

fn text(path: &Path) -> String {
    String::from_utf8_lossy(&std::fs::read(path).unwrap()).into_owned()
}

fn rust_files() -> Vec<PathBuf> {
    let rust = |path: &PathBuf| path.extension().is_some_and(|extension| extension == "rs");
    project_files().into_iter().filter(rust).collect()
}

#[test]
fn the_top_level_is_the_design_card() {
    let card = [
        "Cargo.toml",
        "Cargo.lock",
        "README.md",
        "DEVELOPERS.md",
        "src",
        "schemas",
        "tests",
        "conformance",
    ];
    for file in project_files() {
        let first = file.components().next().unwrap().as_os_str().to_str().unwrap().to_owned();
        assert!(first.starts_with('.') || card.contains(&first.as_str()), "{}", file.display());
    }
}

#[test]
fn no_file_is_two_rooms_in_one() {
    for file in rust_files() {
        let lines = text(&file).lines().count();
        assert!(lines <= 500, "{} has {lines} lines", file.display());
    }
}

#[test]
fn every_file_says_what_it_is() {
    for file in rust_files() {
        let text = text(&file);
        assert!(text.starts_with("//!"), "{} has no module doc", file.display());
    }
}

#[test]
fn links_into_the_standard_name_its_edition() {
    for file in rust_files() {
        for line in text(&file).lines() {
            for (at, _) in line.match_indices("hl7.org/fhir/") {
                let rest = &line[at + "hl7.org/fhir/".len()..];
                let link: String = rest.chars().take_while(|c| !" )>\"'".contains(*c)).collect();
                let edition = ["R4/", "R4B/", "R5/", "uv/", "us/", "smart-app-launch/STU"]
                    .iter()
                    .any(|start| link.starts_with(start));
                let page = link.contains(".html");
                assert!(edition || !page, "{}: {link}", file.display());
            }
        }
    }
}

/// Words that must not stand in the project: places on one machine, and what is not ours to name.
#[test]
fn nothing_points_outside() {
    let words = [["/wo", "rk/"], ["/tmp/b", "rief"], ["seed doc", "ument"], ["TO", "DO:"]];
    for file in project_files() {
        if file.extension().is_some_and(|extension| ["png", "lock"].iter().any(|e| extension == *e))
        {
            continue;
        }
        let text = text(&file);
        for word in words.map(|parts| parts.concat()) {
            assert!(!text.contains(&word), "{} has {word}", file.display());
        }
    }
}

#[test]
fn every_dependency_says_why() {
    let manifest = text(Path::new("Cargo.toml"));
    let tables = manifest.split("\n[").filter(|table| table.contains("dependencies]"));
    for line in tables.flat_map(str::lines).filter(|line| line.contains(" = ")) {
        assert!(line.contains(" # "), "no reason beside: {line}");
    }
}

#[test]
fn every_crate_below_is_forbidden_unsafe_code() {
    assert!(text(Path::new("Cargo.toml")).contains("unsafe_code = \"forbid\""));
}

/// README's table of settings has every flag of `serve`, with its variable and default.
#[test]
fn the_table_of_settings_is_true() {
    let readme = text(Path::new("README.md"));
    let parts = ["config.rs", "config/notify.rs", "config/operating.rs", "config/sign_in.rs"];
    let config: String = parts.map(|file| text(&Path::new("src").join(file))).concat();
    for variable in config.split("env = \"").skip(1).filter_map(|rest| rest.split('"').next()) {
        assert!(readme.contains(&format!("`{variable}`")), "README lacks {variable}");
    }
    for default in ["127.0.0.1:8080", "spondyl-data", "8MiB", "64MiB", "256MiB"] {
        assert!(config.contains(&format!("\"{default}\"")), "the default {default} has changed");
        assert!(readme.contains(&format!("`{default}`")), "README lacks {default}");
    }
}
