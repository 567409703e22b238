//! An import only ever points down: `http` and `ade` -> `book` -> `store` -> `domain`.

#![allow(missing_docs, clippy::unwrap_used)]

use std::{fs, path::Path};

/// The source files of a layer, with their text but for what follows their tests.
fn files(folder: &Path) -> Vec<(String, String)> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(files(&path));
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            let text = fs::read_to_string(&path).unwrap();
            let code = text.split("#[cfg(test)]").next().unwrap();
            let code = code.lines().filter(|line| !line.trim_start().starts_with("//"));
            found.push((path.display().to_string(), code.collect::<Vec<_>>().join("\n")));
        }
    }
    found
}

/// Whether the code names a module of the crate: `crate::store`, or `store` within `use crate::{...}`.
fn names(code: &str, layer: &str) -> bool {
    code.contains(&format!("crate::{layer}::"))
        || code.split("use crate::{").skip(1).any(|tree| {
            let tree = tree.split("};").next().unwrap();
            let mut depth = 0;
            tree.split_inclusive(['{', '}', ',']).any(|part| {
                let here =
                    depth == 0 && part.trim_start().trim_start_matches(',').trim_start().starts_with(layer);
                depth += i32::from(part.ends_with('{')) - i32::from(part.ends_with('}'));
                here
            })
        })
}

#[test]
fn imports_point_down() {
    let forbidden = [
        ("domain", &["store", "book", "http", "ade", "webhooks", "scheduler"][..]),
        ("store", &["book", "http", "ade", "webhooks", "scheduler"]),
        ("book", &["http", "ade", "scheduler"]),
        ("ade", &["http"]),
        ("webhooks", &["http", "ade"]),
        ("scheduler", &["http", "ade"]),
    ];
    let mut looked_at = 0;
    for (layer, above) in forbidden {
        for (file, code) in files(&Path::new("src").join(layer)) {
            looked_at += 1;
            for other in above {
                assert!(!names(&code, other), "{file} of {layer} names {other}, which is above it");
            }
        }
    }
    assert!(looked_at > 100, "only {looked_at} files were found");
    assert!(
        names("use crate::{\n    domain::{a, b},\n    store::{self},\n};", "store"),
        "the test sees an import"
    );
}
