//! `spondyl validate`: files held to the rules, without a server.
//!
//! The same rules, words and ids as `$validate` gives. Content is read in order, checked on all
//! cores and told in order, so that two runs print the same; a file of lines is never held whole.

use std::collections::HashSet;
use std::io::IsTerminal;
use std::num::NonZeroUsize;
use std::path::PathBuf;

use clap::ValueEnum;
use indicatif::{ProgressBar, ProgressStyle};
use rayon::prelude::*;
use serde_json::{Value, json};

use super::input::{self, Item};
use super::{Done, Failure, result, say};
use crate::app::Standard;
use crate::config;
use crate::error::{malformed_issue, not_a_resource};
use crate::fhir::outcome::{self, operation_outcome};
use crate::fhir::{Issue, Resource, Severity};
use crate::terminology::kept::Kept;
use crate::validation::{Validator, cause};

/// Check files against the standard and the profiles they claim.
///
/// One line is printed for each issue: file, line and column, severity, code, element, sentence, and
/// in brackets the id of the message with the rule.
#[derive(clap::Args, Debug)]
#[command(after_help = "Examples:\n  spondyl validate patient.json\n  spondyl validate export/ \
--profile https://spondyl.example/fhir/StructureDefinition/pain-intensity\n  \
spondyl validate --level error --format json export/ > outcomes.ndjson\n\n\
Exit codes: 0 no errors (warnings at most), 1 errors, 2 wrong command line or unknown profile, \
3 a file could not be read.")]
pub(super) struct Args {
    /// Files (a resource or Bundle in .json or .xml, a resource a line in .ndjson), directories of
    /// them, or - for the standard input (one resource, or a resource a line).
    #[arg(required = true, value_name = "FILE")]
    paths: Vec<PathBuf>,
    /// Hold every resource to this profile too.
    #[arg(long, value_name = "CANONICAL")]
    profile: Option<String>,
    /// text: a line for each issue; json: an OperationOutcome a line for each resource, in order,
    /// with the file in the extension operationoutcome-file.
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
    /// Leave out what is less grave.
    #[arg(long, value_enum, default_value = "information")]
    level: Level,
    /// How many issues are told at most of one resource; the last then says how many are left out.
    #[arg(long, value_name = "NUMBER", default_value = "200")]
    max_issues: NonZeroUsize,
    /// Print nothing: the exit code is the answer.
    #[arg(long, short)]
    quiet: bool,
    /// Directory of a store whose loaded terminology counts too.
    #[arg(long, env = "SPONDYL_DATA", value_name = "DIR", default_value = config::DATA)]
    data: PathBuf,
}

#[derive(ValueEnum, Clone, Copy, PartialEq, Eq, Debug)]
enum Format {
    Text,
    Json,
}

#[derive(ValueEnum, Clone, Copy, PartialEq, Eq, Debug)]
enum Level {
    Error,
    Warning,
    Information,
}

impl Level {
    fn least(self) -> Severity {
        match self {
            Self::Error => Severity::Error,
            Self::Warning => Severity::Warning,
            Self::Information => Severity::Information,
        }
    }
}

/// How many resources are read before they are checked side by side.
const BATCH: usize = 512;

/// How many bytes of them, about.
const BATCH_BYTES: usize = 32 << 20;

/// Runs the command.
///
/// # Errors
/// When a file cannot be read.
pub(super) fn run(args: &Args) -> Result<Done, Failure> {
    let standard = Standard::embedded()
        .and_then(|standard| standard.with_kept(&Kept::new(config::terminology(&args.data))))
        .map_err(|broken| Failure::new("validate", broken))?;
    let validator = standard.validator;
    if let Some(profile) = args.profile.as_deref().filter(|profile| !validator.holds(profile)) {
        say(&format!("spondyl: the profile {profile} is not known here"));
        return Ok(Done::Misused);
    }
    let files = input::expand(&args.paths).map_err(|error| Failure::new("validate", error))?;
    let mut run = Run { args, validator, bar: bar(args, &files), checked: 0, refused: 0 };
    let mut batch = Vec::new();
    let mut bytes = 0;
    for file in &files {
        let name = file.display().to_string();
        let fail = |error: std::io::Error| Failure::new(name.clone(), error);
        for item in input::read(file).map_err(fail)? {
            let item = item.map_err(fail)?;
            bytes += item.text.len();
            batch.push((name.clone(), item));
            if batch.len() >= BATCH || bytes >= BATCH_BYTES {
                run.check(std::mem::take(&mut batch));
                bytes = 0;
            }
        }
    }
    run.check(batch);
    run.bar.finish_and_clear();
    if !args.quiet {
        say(&format!("{} checked, {} with errors", run.checked, run.refused));
    }
    Ok(if run.refused == 0 { Done::Well } else { Done::Refused })
}

/// A bar over the bytes of the files, where a person sees it and nothing else is printed there.
fn bar(args: &Args, files: &[PathBuf]) -> ProgressBar {
    let seen = std::io::stderr().is_terminal() && !std::io::stdout().is_terminal();
    if args.quiet || !seen {
        return ProgressBar::hidden();
    }
    let sizes = files.iter().filter_map(|file| std::fs::metadata(file).ok());
    let template = "{bar:30} {bytes} of {total_bytes}, {eta} left";
    let style = ProgressStyle::with_template(template);
    let style = style.unwrap_or_else(|_| ProgressStyle::default_bar());
    ProgressBar::new(sizes.map(|file| file.len()).sum()).with_style(style)
}

struct Run<'a> {
    args: &'a Args,
    validator: Validator,
    bar: ProgressBar,
    checked: usize,
    refused: usize,
}

/// What is told of one resource.
struct Told {
    lines: Vec<String>,
    is_refused: bool,
    bytes: usize,
}

impl Run<'_> {
    /// Checks side by side, tells in order.
    fn check(&mut self, batch: Vec<(String, Item)>) {
        let told: Vec<Told> =
            batch.into_par_iter().map(|(file, item)| self.tell(&file, item)).collect();
        for told in told {
            if !self.args.quiet {
                self.bar.suspend(|| told.lines.iter().for_each(|line| result(line)));
            }
            self.bar.inc(u64::try_from(told.bytes).unwrap_or_default());
            self.checked += 1;
            self.refused += usize::from(told.is_refused);
        }
    }

    fn tell(&self, file: &str, item: Item) -> Told {
        let (bytes, line) = (item.text.len(), item.line);
        let mut issues = self.issues(item);
        let is_refused = issues.iter().any(Issue::is_error);
        let least = self.args.level.least();
        let had_any = !issues.is_empty();
        issues.retain(|issue| issue.severity >= least);
        let issues = outcome::limited(issues, self.args.max_issues.get());
        let is_silent = issues.is_empty() && (had_any || least > Severity::Information);
        let lines = match self.args.format {
            Format::Text if is_silent => Vec::new(),
            Format::Text => text_lines(file, line, &issues),
            Format::Json => vec![json_line(file, line, &issues)],
        };
        Told { lines, is_refused, bytes }
    }

    fn issues(&self, item: Item) -> Vec<Issue> {
        let value = match item.content {
            Ok(value) => value,
            Err(malformed) => return vec![malformed_issue(&malformed)],
        };
        let mut issues = match Resource::from_value(value) {
            Ok(resource) => self.content(&resource),
            Err(reason) => vec![not_a_resource(&reason)],
        };
        outcome::locate(&mut issues, &item.text, "");
        issues
    }

    fn content(&self, resource: &Resource) -> Vec<Issue> {
        let mut issues = self.validator.check(resource);
        issues.extend(self.validator.advice(resource));
        // An unknown profile was told before anything was read.
        let by_profile = self.args.profile.as_deref();
        let found = by_profile.and_then(|p| self.validator.check_profile(resource, p).ok());
        let told: HashSet<_> = issues.iter().map(cause).collect();
        let new = found.into_iter().flatten().filter(|issue| !told.contains(&cause(issue)));
        let new: Vec<Issue> = new.collect();
        issues.extend(new);
        issues
    }
}

/// The issues in the form of compilers; the line of a file of lines is that of the resource.
fn text_lines(file: &str, line: Option<usize>, issues: &[Issue]) -> Vec<String> {
    let all_well = [outcome::all_well()];
    let issues = if issues.is_empty() { &all_well } else { issues };
    let each = issues.iter().map(|issue| {
        let mut text = vec![file.to_owned()];
        text.extend(line.map_or_else(
            || issue.position.map(|(line, _)| format!(":{line}")),
            |line| Some(format!(":{line}")),
        ));
        text.extend(issue.position.map(|(_, column)| format!(":{column}")));
        text.push(format!(": {} ({})", issue.severity.as_str(), issue.code.as_str()));
        text.extend(issue.expression.iter().map(|place| format!(" at {place}")));
        text.push(format!(": {} [{}", issue.diagnostics, issue.told().id()));
        text.extend(issue.rule.iter().map(|rule| format!(" {rule}")));
        text.push("]".to_owned());
        text.concat()
    });
    each.collect()
}

const FILE: &str = "http://hl7.org/fhir/StructureDefinition/operationoutcome-file";

fn json_line(file: &str, line: Option<usize>, issues: &[Issue]) -> String {
    let place = line.map_or_else(|| file.to_owned(), |line| format!("{file}:{line}"));
    let mut outcome = operation_outcome(issues);
    if let Value::Object(object) = &mut outcome {
        let extension = json!([{ "url": FILE, "valueString": place }]);
        object.shift_insert(1, "extension".to_owned(), extension);
    }
    outcome.to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fhir::IssueType;

    #[test]
    fn an_issue_is_one_line() {
        let mut issue =
            Issue::error(IssueType::Invariant, "Say so.").at("Patient.name").rule("x-1");
        let one = |line, issue: &Issue| text_lines("a.json", line, std::slice::from_ref(issue));
        let text = "a.json: error (invariant) at Patient.name: Say so. [constraint x-1]";
        assert_eq!(one(None, &issue), [text]);
        issue.position = Some((2, 5));
        assert!(one(None, &issue)[0].starts_with("a.json:2:5: error"));
        assert!(one(Some(7), &issue)[0].starts_with("a.json:7:5: error"));
        let well = "a.json:7: information (informational): No issues were found. [all-well]";
        assert_eq!(text_lines("a.json", Some(7), &[]), [well]);
        let line = json_line("a.json", Some(7), &[issue]);
        let value: Value = serde_json::from_str(&line).unwrap();
        assert_eq!(value["extension"][0]["valueString"], "a.json:7");
        assert_eq!(value["issue"][0]["severity"], "error");
    }
}
