//! Which module may name which: the table of DEVELOPERS.md, held to by reading the source.

#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Module, and the modules that it may name beside itself.
const LAYERS: &[(&str, &str)] = &[
    ("fhir", ""),
    ("store", ""),
    ("config", ""),
    ("statistics", ""),
    ("definitions", "fhir"),
    ("xml", "fhir definitions"),
    ("terminology", "fhir definitions"),
    ("index", "fhir definitions terminology"),
    ("validation", "fhir definitions terminology"),
    ("view_definition", "fhir definitions validation"),
    ("clinical", "fhir terminology"),
    ("letter", "fhir clinical"),
    ("audit", "fhir clinical statistics"),
    ("page", "fhir clinical letter audit statistics"),
    ("demo", "fhir"),
    ("smart", "fhir"),
    ("outbound", ""),
    ("subscription", "fhir definitions validation index repository search store outbound"),
    ("generate", ""),
    ("repository", "fhir index store"),
    ("search", "fhir definitions terminology index repository store"),
    ("error", "fhir terminology store repository search"),
    (
        "app",
        "config smart fhir clinical audit definitions terminology index repository store validation error subscription",
    ),
    ("access", "fhir definitions index repository search smart store app config error"),
    ("consent", "fhir index repository smart store app error"),
    ("trail", "fhir repository search store app access"),
    (
        "bulk",
        "fhir definitions index repository search smart store app config error access consent",
    ),
    ("interaction", CORE),
    ("operation", CORE),
    (
        "notify",
        "fhir clinical index repository search store config error smart app access outbound subscription interaction operation",
    ),
    (
        "http",
        "config app access smart outbound trail bulk interaction operation notify page demo error search repository fhir store definitions letter clinical audit xml view_definition",
    ),
    ("command", "*"),
];

const CORE: &str = "fhir definitions terminology index validation view_definition clinical statistics audit letter repository search \
error app smart config store subscription consent";

#[test]
fn modules_name_only_the_layers_below() {
    let table: BTreeMap<&str, &str> = LAYERS.iter().copied().collect();
    let mut faults = Vec::new();
    for file in sources(Path::new("src")) {
        let Some(module) = module_of(&file) else { continue };
        let Some(allowed) = table.get(module.as_str()) else {
            faults.push(format!("{module} is not in the table"));
            continue;
        };
        for named in named_modules(&product_code(&file)) {
            let known = *allowed == "*" || allowed.split(' ').any(|name| name == named);
            if named != module && !known {
                faults.push(format!("{} names {named}", file.display()));
            }
        }
    }
    faults.dedup();
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn each_engine_is_named_in_one_place() {
    let only = [
        ("actix_web", "src/http/"),
        ("sled", "src/store/sled.rs"),
        ("typst", "src/letter/"),
        ("reqwest", "src/command/ src/outbound/"),
        ("jsonschema", "src/validation/"),
    ];
    for file in sources(Path::new("src")) {
        let path = file.display().to_string();
        let code = product_code(&file);
        for (name, place) in only {
            let named = code.lines().any(|line| names(line, name));
            let home =
                place.split(' ').any(|place| path.starts_with(place)) || path == "src/main.rs";
            assert!(home || !named, "{path} names {name}, which belongs under {place}");
        }
        for clock in ["SystemTime::now", "now_utc"] {
            let edge = ["src/http/", "src/command/", "src/main.rs", "src/worker/"];
            let at_edge = edge.iter().any(|place| path.starts_with(place));
            assert!(at_edge || !code.contains(clock), "{path} reads the clock");
        }
    }
}

/// Whether the line uses a crate, rather than telling of it in a comment or a text.
fn names(line: &str, krate: &str) -> bool {
    line.match_indices(krate).any(|(at, _)| {
        let before = line[..at].chars().next_back();
        !before.is_some_and(|c| c.is_alphanumeric() || "_\"`.:".contains(c))
            && line[at + krate.trim_end_matches(':').len()..].starts_with("::")
    })
}

fn sources(directory: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for entry in std::fs::read_dir(directory).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files.extend(sources(&path));
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            files.push(path);
        }
    }
    files.sort();
    files
}

/// The top-level module that a file belongs to; none for `main.rs` and `lib.rs`.
fn module_of(file: &Path) -> Option<String> {
    let inside = file.strip_prefix("src").unwrap();
    let first = inside.components().next().unwrap().as_os_str().to_str().unwrap();
    let name = first.trim_end_matches(".rs");
    (!["main", "lib"].contains(&name)).then(|| name.to_owned())
}

/// The file's text without comments and without its tests.
fn product_code(file: &Path) -> String {
    let path = file.display().to_string();
    if path.ends_with("tests.rs") || path.ends_with("contract.rs") || path.contains("/tests/") {
        return String::new();
    }
    let text = std::fs::read_to_string(file).unwrap();
    let end = text.find("#[cfg(test)]\nmod tests {").unwrap_or(text.len());
    let lines = text[..end].lines().filter(|line| !line.trim_start().starts_with("//"));
    lines.collect::<Vec<_>>().join("\n")
}

/// The modules named after `crate::`, alone or in braces.
fn named_modules(code: &str) -> Vec<String> {
    let word = |text: &str| text.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
    let mut named = Vec::new();
    for (at, found) in code.match_indices("crate::") {
        let rest = &code[at + found.len()..];
        match rest.strip_prefix('{') {
            Some(group) => {
                let end = closing(group);
                named.extend(top_level_items(&group[..end]).iter().map(|item| word(item)));
            }
            None => named.push(word(rest)),
        }
    }
    named.retain(|name: &String| !name.is_empty());
    named
}

fn closing(group: &str) -> usize {
    let mut depth = 1;
    for (at, c) in group.char_indices() {
        depth += match c {
            '{' => 1,
            '}' => -1,
            _ => 0,
        };
        if depth == 0 {
            return at;
        }
    }
    group.len()
}

fn top_level_items(group: &str) -> Vec<String> {
    let mut items = vec![String::new()];
    let mut depth = 0;
    for c in group.chars() {
        depth += match c {
            '{' => 1,
            '}' => -1,
            _ => 0,
        };
        match c {
            ',' if depth == 0 => items.push(String::new()),
            _ => items.last_mut().unwrap().push(c),
        }
    }
    items.iter().map(|item| item.trim().to_owned()).collect()
}

#[test]
fn the_reader_of_imports_sees_all_forms() {
    let code =
        "use crate::fhir::{Id, Value};\nuse crate::{store, index::{A, b::C}};\ncrate::app::X";
    assert_eq!(named_modules(code), ["fhir", "store", "index", "app"]);
    assert!(names("use sled::Tree;", "sled::"));
    assert!(!names("let x = settled::f();", "sled::"));
}
