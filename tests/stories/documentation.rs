//! The documentation at `/docs` tells all that the description says: it is held to the description, member by member.

use std::collections::BTreeSet;

use reqwest::Method;
use serde_json::Value;
use tankside::http::problem::Kind;

use crate::{
    on_both_stores,
    world::{Answer, Client, World, description, operations},
};

on_both_stores!(
    each_operation_is_told_with_all_that_is_said_of_it,
    each_anchor_is_there_once_and_each_link_leads_somewhere,
    its_files_are_sent_small_and_once,
);

async fn open(client: &Client, path: &str, headers: &[(&str, &str)]) -> Answer {
    client.send_without_key(Method::GET, path, headers, vec![]).await
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// What a page says of the thing with that anchor: up to the next thing.
fn entry<'p>(page: &'p str, id: &str) -> &'p str {
    let from = page.find(&format!(" id=\"{id}\"")).unwrap_or_else(|| panic!("{id} is not told"));
    let rest = &page[from + 1..];
    let end = rest.find("<details class=\"entry").or_else(|| rest.find("</section>")).unwrap();
    &rest[..end]
}

/// The names of the members that a schema holds, with those within them as far as `levels` go.
fn members(api: &Value, schema: &Value, levels: usize, found: &mut BTreeSet<String>) {
    if let Some(reference) = schema["$ref"].as_str() {
        return members(api, api.pointer(&reference[1..]).unwrap(), levels, found);
    }
    for sum in ["allOf", "oneOf", "anyOf"] {
        for part in schema[sum].as_array().into_iter().flatten() {
            members(api, part, levels, found);
        }
    }
    if schema["items"].is_object() {
        members(api, &schema["items"], levels, found);
    }
    if levels > 0 {
        for (name, member) in schema["properties"].as_object().into_iter().flatten() {
            found.insert(name.clone());
            members(api, member, levels - 1, found);
        }
    }
}

async fn each_operation_is_told_with_all_that_is_said_of_it(world: &World) {
    let page = open(&world.manager, "/docs", &[]).await.text;
    let api = description();
    let (mut told, mut linked) = (0, 0);
    for (method, path, operation) in operations() {
        let id = operation["operationId"].as_str().unwrap();
        let entry = entry(&page, id);
        assert!(entry.contains(&format!("data-method=\"{method}\" data-path=\"{path}\"")), "{id}");
        assert!(page.contains(&format!("<a href=\"#{id}\">")), "{id} is not among the contents");
        for parameter in operation["parameters"].as_array().into_iter().flatten() {
            let line = format!("data-name=\"{}\"", parameter["name"].as_str().unwrap());
            assert!(entry.contains(&line), "{id} is told without {line}");
        }
        let sent = operation["requestBody"]["content"].as_object().into_iter().flatten();
        let responses = operation["responses"].as_object().unwrap();
        let answered = responses.iter().filter(|(status, _)| status.starts_with('2'));
        let answered = answered.flat_map(|(_, answer)| answer["content"].as_object().into_iter().flatten());
        let (mut names, mut json) = (BTreeSet::new(), 0);
        for (kind, media) in sent.chain(answered) {
            assert!(entry.contains(&escaped(kind)), "{id} does not tell of {kind}");
            members(api, &media["schema"], 3, &mut names);
            json += usize::from(kind == "application/json");
        }
        let examples = entry.matches("<figure class=\"example\" data-media=\"application/json\"").count();
        assert!(examples >= json, "{id} has {examples} examples for {json} bodies and answers");
        told += json;
        for name in names {
            let member = format!("<code class=\"name\">{name}</code>");
            assert!(entry.contains(&member), "{id} is told without {name}");
        }
        for (status, response) in responses {
            assert!(entry.contains(&format!(">{status}<")), "{id} does not tell of {status}");
            // Each slug leads to its explanation.
            let words = response["description"].as_str().unwrap_or_default();
            for slug in Kind::ALL.iter().map(|kind| kind.slug()) {
                if status.as_str() >= "4" && words.contains(&format!("`{slug}`")) {
                    assert!(entry.contains(&format!("href=\"/problems/{slug}\"")), "{id} names {slug} only");
                    linked += 1;
                }
            }
        }
    }
    assert!(told > 100 && linked > 100, "{told} {linked}");

    // Type, range, unit and description of a member; what is within one; a page's items.
    let tank = entry(&page, "create_nitrogen_reading");
    let depth = &tank[tank.find("<code class=\"name\">depth_mm</code>").unwrap()..];
    let depth = &depth[..depth.find("</li>").unwrap()];
    for said in ["number in millimetres", " to ", "</p><p>"] {
        assert!(depth.contains(said), "{said} is not in {depth}");
    }
    let list = entry(&page, "list_animals");
    let items = &list[list.find("<code class=\"name\">items</code>").unwrap()..];
    assert!(items.contains("list of <a href=\"#schema-Animal\">") && items.contains(">born_on<"));
}

async fn each_anchor_is_there_once_and_each_link_leads_somewhere(world: &World) {
    let page = open(&world.manager, "/docs", &[]).await.text;
    let attributes = |name: &str| -> Vec<String> {
        let begins = format!(" {name}=\"");
        let all = page.split(&begins).skip(1);
        all.map(|rest| rest.split('"').next().unwrap().to_owned()).collect()
    };
    let all = attributes("id");
    let ids: BTreeSet<&str> = all.iter().map(String::as_str).collect();
    assert_eq!(ids.len(), all.len(), "an anchor stands twice");
    let api = description();
    for name in api["components"]["schemas"].as_object().unwrap().keys() {
        assert!(ids.contains(format!("schema-{name}").as_str()), "{name}");
    }
    for kind in api["webhooks"].as_object().unwrap().keys() {
        assert!(ids.contains(format!("webhook-{kind}").as_str()), "{kind}");
    }
    let links: BTreeSet<String> = attributes("href").into_iter().chain(attributes("src")).collect();
    for link in &links {
        match link.strip_prefix('#') {
            Some(id) => assert!(ids.contains(id), "{link} leads nowhere"),
            None => assert_eq!(open(&world.manager, link, &[]).await.status, 200, "{link}"),
        }
    }
    assert!(links.contains("/docs/docs.css") && links.contains("/docs/docs.js"), "{links:?}");
}

async fn its_files_are_sent_small_and_once(world: &World) {
    let client = &world.manager;
    for (path, media) in [
        ("/docs", "text/html; charset=utf-8"),
        ("/docs/docs.js", "text/javascript; charset=utf-8"),
        ("/docs/docs.css", "text/css; charset=utf-8"),
    ] {
        let whole = open(client, path, &[]).await;
        assert_eq!((whole.status, whole.header("content-type")), (200, media));
        let small = client.send_without_key(Method::HEAD, path, &[("accept-encoding", "br")], vec![]).await;
        assert_eq!(small.header("content-encoding"), "br", "{path}");
        let length: usize = small.header("content-length").parse().unwrap();
        assert!(length < whole.text.len() / 2, "{path}: {length} of {}", whole.text.len());
        for answer in [&whole, &small] {
            let known = [("if-none-match", answer.header("etag")), ("accept-encoding", "br")];
            let known =
                if answer.headers.contains_key("content-encoding") { &known[..] } else { &known[..1] };
            let again = open(client, path, known).await;
            assert_eq!((again.status, again.text.as_str()), (304, ""), "{path}");
        }
    }
    // The whole of it is no more than a picture or two.
    let page = client.send_without_key(Method::HEAD, "/docs", &[("accept-encoding", "br")], vec![]).await;
    let length: usize = page.header("content-length").parse().unwrap();
    assert!(length < 400_000, "{length}");
}
