//! The page of the description: contents, operations, webhooks, schemas, problems. It reads without scripts; those add the
//! search and the forms to try an operation with, from the `data-` attributes that stand here.

use std::fmt::Write as _;

use serde_json::Value;

use crate::http::{
    docs::{
        example,
        schema::{Shape, line_html, members_html, plain, resolved, schemas_html, type_html, values},
        text::{anchor, paragraphs, words, words_of_problems},
    },
    markup::escaped,
    problem::Kind,
};

const METHODS: [&str; 5] = ["get", "post", "patch", "put", "delete"];

/// Everything that the description says, as a page.
pub fn of(api: &Value) -> String {
    let mut main = intro(api);
    let mut contents = String::from("<li><a href=\"#start\">Start</a></li>");
    for tag in list(&api["tags"]) {
        let name = text(&tag["name"]);
        let mut own = operations(api).filter(|one| one.described["tags"][0] == tag["name"]).peekable();
        // A tag may be of webhooks alone.
        if own.peek().is_none() {
            continue;
        }
        let id = anchor(name);
        let _ = write!(contents, "<li><a href=\"#tag-{id}\">{}</a><ul>", escaped(name));
        let _ = write!(
            main,
            "<section id=\"tag-{id}\"><h2>{}</h2>{}",
            escaped(name),
            paragraphs(text(&tag["description"]))
        );
        for one in own {
            let _ = write!(
                contents,
                "<li><a href=\"#{}\">{}</a></li>",
                escaped(one.id()),
                words(text(&one.described["summary"]))
            );
            operation(&mut main, api, &one);
        }
        main.push_str("</section>");
        contents.push_str("</ul></li>");
    }
    for (id, name, html) in [
        ("webhooks", "What webhooks are told", webhooks(api)),
        ("schemas", "Schemas", schemas_html(api)),
        ("problems", "Problems", problems()),
    ] {
        let _ = write!(contents, "<li><a href=\"#{id}\">{name}</a></li>");
        let _ = write!(main, "<section id=\"{id}\"><h2>{name}</h2>{html}</section>");
    }
    let title = text(&api["info"]["title"]);
    let body = format!(
        "<a class=\"skip\" href=\"#start\">To the text</a>\
         <nav id=\"contents\" aria-label=\"Contents\"><div id=\"search\"></div><ul>{contents}</ul></nav>\
         <main>{main}</main><script type=\"module\" src=\"/docs/docs.js\"></script>"
    );
    document(title, "docs", &body)
}

/// A page with the style of these pages.
pub fn document(title: &str, class: &str, body: &str) -> String {
    format!(
        "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width\">\
         <title>{}</title><link rel=\"icon\" href=\"/icon.svg\"><link rel=\"stylesheet\" href=\"/docs/docs.css\">\
         <body class=\"{class}\">{body}</body></html>",
        escaped(title)
    )
}

fn list(value: &Value) -> impl Iterator<Item = &Value> {
    value.as_array().into_iter().flatten()
}

fn members(value: &Value) -> impl Iterator<Item = (&str, &Value)> {
    value.as_object().into_iter().flatten().map(|(name, member)| (name.as_str(), member))
}

fn text(value: &Value) -> &str {
    value.as_str().unwrap_or_default()
}

/// An operation with where it is.
struct Operation<'a> {
    method: &'a str,
    path: &'a str,
    item: &'a Value,
    described: &'a Value,
}

impl<'a> Operation<'a> {
    fn id(&self) -> &'a str {
        text(&self.described["operationId"])
    }

    /// The parameters of the path and its own.
    fn parameters<'o>(&'o self, api: &'a Value) -> impl Iterator<Item = &'a Value> + 'o {
        list(&self.item["parameters"])
            .chain(list(&self.described["parameters"]))
            .map(|one| resolved(api, one))
    }
}

fn operations(api: &Value) -> impl Iterator<Item = Operation<'_>> {
    members(&api["paths"]).flat_map(|(path, item)| {
        METHODS.iter().filter_map(move |method| {
            let described = item.get(method)?;
            Some(Operation { method, path, item, described })
        })
    })
}

fn intro(api: &Value) -> String {
    let info = &api["info"];
    format!(
        "<header id=\"start\"><h1>{} <small>{}</small></h1>{}<p class=\"links\"><a href=\"/openapi.json\">openapi.json</a> \
         <a href=\"/problems\">Problems</a> <a href=\"#schemas\">Schemas</a></p></header>{START}",
        escaped(text(&info["title"])),
        escaped(text(&info["version"])),
        paragraphs(text(&info["description"])),
    )
}

fn operation(out: &mut String, api: &Value, one: &Operation<'_>) {
    let (id, path, method) = (escaped(one.id()), escaped(one.path), one.method);
    let _ = write!(
        out,
        "<details class=\"entry operation\" id=\"{id}\" data-method=\"{}\" data-path=\"{path}\"><summary><h3>{}</h3> \
         <code><b>{}</b> {}</code></summary>{}",
        method.to_uppercase(),
        words(text(&one.described["summary"])),
        method.to_uppercase(),
        // A long path may be broken after each part.
        path.replace('/', "<wbr>/"),
        paragraphs(text(&one.described["description"])),
    );
    if one.described["deprecated"] == true {
        out.push_str("<p><b>Deprecated.</b></p>");
    }
    parameters(out, api, one);
    body(out, api, one);
    answers(out, api, &one.described["responses"]);
    let _ = write!(
        out,
        "<p class=\"links\"><a href=\"#{id}\">Link to this operation</a> <a href=\"#contents\">Contents</a></p></details>"
    );
}

fn parameters(out: &mut String, api: &Value, one: &Operation<'_>) {
    let mut lines = String::new();
    for parameter in one.parameters(api) {
        let (name, place) = (text(&parameter["name"]), text(&parameter["in"]));
        let is_required = parameter["required"] == true;
        let schema = &parameter["schema"];
        let shape = Shape::of(api, schema);
        let example = parameter
            .get("example")
            .or_else(|| members(&parameter["examples"]).find_map(|(_, one)| resolved(api, one).get("value")));
        let example = example.or(shape.example).map(plain);
        let values: Vec<_> = values(shape.schema).collect();
        let _ = write!(
            lines,
            "<li data-name=\"{}\" data-in=\"{}\" data-example=\"{}\" data-values=\"{}\"{}>",
            escaped(name),
            escaped(place),
            escaped(&example.clone().unwrap_or_default()),
            escaped(&if shape.is("boolean") { "false true".to_owned() } else { values.join(" ") }),
            if is_required { " data-required" } else { "" },
        );
        // What is said of the parameter goes before what is said of its type.
        let mut described = schema.clone();
        if let (Some(schema), Some(said)) = (described.as_object_mut(), parameter["description"].as_str()) {
            schema.insert("description".to_owned(), said.into());
        }
        line_html(&mut lines, api, name, &described, is_required);
        let _ = write!(lines, "<p class=\"in\">in: {}</p>", escaped(place));
        if let Some(example) = example {
            let _ = write!(lines, "<p>Example: <code>{}</code></p>", escaped(&example));
        }
        lines.push_str("</li>");
    }
    if !lines.is_empty() {
        let _ = write!(out, "<h4>Parameters</h4><ul class=\"members parameters\">{lines}</ul>");
    }
}

fn body(out: &mut String, api: &Value, one: &Operation<'_>) {
    let body = resolved(api, &one.described["requestBody"]);
    if body.is_null() {
        return;
    }
    out.push_str("<h4>Body</h4><div class=\"request\">");
    out.push_str(&paragraphs(text(&body["description"])));
    contents(out, api, &body["content"], true);
    out.push_str("</div>");
}

/// What each media type holds, with examples.
fn contents(out: &mut String, api: &Value, content: &Value, is_sent: bool) {
    for (kind, media) in members(content) {
        let _ = write!(
            out,
            "<p class=\"media\" data-media=\"{}\"><code>{}</code> {}</p>",
            escaped(kind),
            escaped(kind),
            if media["schema"].is_null() { String::new() } else { type_html(api, &media["schema"]) }
        );
        out.push_str(&members_html(api, &media["schema"], false));
        out.push_str(&example::html(api, kind, media, is_sent));
    }
}

fn answers(out: &mut String, api: &Value, responses: &Value) {
    let (done, not_done): (Vec<_>, Vec<_>) = members(responses)
        .map(|(status, response)| (status, resolved(api, response)))
        .partition(|(status, _)| status.starts_with('2') || status.starts_with('3'));
    out.push_str("<h4>Answer</h4>");
    for (status, response) in done {
        let _ = write!(out, "<p><b>{}</b> {}</p>", escaped(status), words(text(&response["description"])));
        headers(out, api, response);
        contents(out, api, &response["content"], false);
    }
    if not_done.is_empty() {
        return;
    }
    let statuses: Vec<_> = not_done.iter().map(|(status, _)| escaped(status)).collect();
    let _ = write!(
        out,
        "<details class=\"not-done\"><summary>When it is not done: {}</summary><dl>",
        statuses.join(", ")
    );
    for (status, response) in not_done {
        let _ = write!(
            out,
            "<dt>{}</dt><dd>{}",
            escaped(status),
            words_of_problems(text(&response["description"]))
        );
        headers(out, api, response);
        for (kind, media) in members(&response["content"]) {
            let media = with_only_written(media);
            out.push_str(&example::html(api, kind, &media, false));
        }
        out.push_str("</dd>");
    }
    out.push_str("</dl><p>The body is a <a href=\"#schema-Problem\">problem document</a>.</p></details>");
}

/// The media type with its written examples alone: what every problem looks like stands once among the schemas.
fn with_only_written(media: &Value) -> Value {
    let mut media = media.clone();
    if let Some(members) = media.as_object_mut() {
        members.remove("schema");
    }
    media
}

fn headers(out: &mut String, api: &Value, response: &Value) {
    let mut lines = String::new();
    for (name, header) in members(&response["headers"]) {
        let header = resolved(api, header);
        let mut described = header["schema"].clone();
        if let (Some(schema), Some(said)) = (described.as_object_mut(), header["description"].as_str()) {
            schema.insert("description".to_owned(), said.into());
        }
        lines.push_str("<li>");
        line_html(&mut lines, api, name, &described, false);
        lines.push_str("</li>");
    }
    if !lines.is_empty() {
        let _ = write!(out, "<ul class=\"members headers\" aria-label=\"Headers\">{lines}</ul>");
    }
}

fn webhooks(api: &Value) -> String {
    let mut out = String::new();
    for (kind, item) in members(&api["webhooks"]) {
        let operation = &item["post"];
        let _ = write!(
            out,
            "<details class=\"entry webhook\" id=\"webhook-{0}\"><summary><h3><code>{0}</code></h3> <span>{1}</span></summary>{2}",
            escaped(kind),
            words(text(&operation["summary"])),
            paragraphs(text(&operation["description"])),
        );
        let one = Operation { method: "POST", path: "", item, described: operation };
        parameters(&mut out, api, &one);
        body(&mut out, api, &one);
        let _ = write!(out, "<h4>What the receiver answers</h4><dl>");
        for (status, response) in members(&operation["responses"]) {
            let _ = write!(
                out,
                "<dt>{}</dt><dd>{}</dd>",
                escaped(status),
                words(text(&resolved(api, response)["description"]))
            );
        }
        out.push_str("</dl></details>");
    }
    out
}

/// Every problem, with the way to its page.
pub fn problems() -> String {
    let lines = Kind::ALL.iter().fold(String::new(), |mut out, kind| {
        let _ = write!(
            out,
            "<li id=\"problem-{slug}\"><a href=\"/problems/{slug}\"><code>{slug}</code></a> ({status}): {title}</li>",
            slug = kind.slug(),
            status = kind.status(),
            title = escaped(kind.title())
        );
        out
    });
    format!(
        "<p>Each <code>type</code> of a problem document leads to its page.</p><ul class=\"problems\">{lines}</ul>"
    )
}

const START: &str = "<section><h2>From a delivery to a recorded service</h2><p>Every request carries \
    <code>Authorization: Bearer &lt;key&gt;</code>. What writes the ledger or a service carries an \
    <code>Idempotency-Key</code> that the sender makes up once, keeps, and sends again with every retry: then a straw is \
    never taken twice, even when the phone comes back from the barn after days. Retry on network errors, 429 and 503, \
    waiting longer each time; not on other 4xx. Unknown members are refused, and <code>errors</code> lists every fault at \
    once. New members may be added to answers and new values to lists of words: ignore what you do not know.</p><pre>\
curl -sS localhost:8080/v1/animals/$ANIMAL/next-service -H \"Authorization: Bearer $KEY\"\n\
curl -sS localhost:8080/v1/withdrawals -H \"Authorization: Bearer $KEY\" -H 'Content-Type: application/json' \\\n     \
-H \"Idempotency-Key: $(uuidgen)\" -d '{\"animal_id\": \"...\", \"sire_id\": \"...\"}'\n\
curl -sS localhost:8080/v1/withdrawals/$WITHDRAWAL/thaw -H \"Authorization: Bearer $KEY\" -H 'Content-Type: application/json' \\\n     \
-H \"Idempotency-Key: $(uuidgen)\" -d '{\"bath_temp_c\": 35.6}'\n\
curl -sS localhost:8080/v1/services -H \"Authorization: Bearer $KEY\" -H 'Content-Type: application/json' \\\n     \
-H \"Idempotency-Key: $(uuidgen)\" -d '{\"withdrawal_id\": \"...\"}'</pre></section>";
