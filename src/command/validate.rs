//! `spondyl validate`: files held to the rules, without a server.

use std::path::PathBuf;
use std::sync::Arc;

use super::definitions::list::existing;
use super::definitions::packages::in_force;
use super::input::{self, Item};
use super::{Done, Failure, report, result, say};
use crate::app::{App, Held, Standard};
use crate::fhir::outcome::operation_outcome;
use crate::fhir::{Issue, IssueType, Resource, Severity};
use crate::validation::Validator;

/// Check files against the standard and the profiles they claim.
///
/// One line is printed for each issue: file, severity, code, element, sentence.
#[derive(clap::Args, Debug)]
#[command(after_help = "Examples:\n  spondyl validate patient.json\n  spondyl validate export/ \
--profile https://spondyl.example/fhir/StructureDefinition/pain-intensity")]
pub(super) struct Args {
    /// Files (a resource or Bundle in .json, a resource a line in .ndjson) or directories of them.
    #[arg(required = true, value_name = "FILE")]
    paths: Vec<PathBuf>,
    /// Use the definitions of this package too; may be given several times.
    #[arg(long, value_name = "FILE")]
    package: Vec<PathBuf>,
    /// Use the definitions that a server which is not running keeps in this directory.
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// Hold every resource to this profile too.
    #[arg(long, value_name = "CANONICAL")]
    profile: Option<String>,
}

/// Runs the command.
///
/// # Errors
/// When a file cannot be read, or there is no such profile.
pub(super) fn run(args: &Args) -> Result<Done, Failure> {
    let held = held(args)?;
    let checker = Checker { validator: &held.standard.validator, profile: args.profile.as_deref() };
    let (mut checked, mut refused) = (0, 0);
    for file in input::expand(&args.paths).map_err(|error| Failure::new("validate", error))? {
        let name = file.display().to_string();
        let fail = |error: std::io::Error| Failure::new(name.clone(), error);
        for item in input::read(&file).map_err(fail)? {
            let item = item.map_err(fail)?;
            let place = item.line.map_or_else(|| name.clone(), |line| format!("{name}:{line}"));
            let issues = checker.issues(item)?;
            for line in report::issue_lines(&operation_outcome(&issues)) {
                result(&format!("{place}: {line}"));
            }
            checked += 1;
            refused += usize::from(issues.iter().any(Issue::is_error));
        }
    }
    say(&format!("{checked} checked, {refused} with errors"));
    Ok(if refused == 0 { Done::Well } else { Done::Refused })
}

/// The rules: those built in, those that a server keeps, those of packages.
fn held(args: &Args) -> Result<Arc<Held>, Failure> {
    let failed = |error| Failure::new("the definitions", error);
    let held = match &args.data {
        Some(data) => App::open(existing(data)?).map_err(failed)?.held(),
        None => Arc::new(Held::new(Arc::new(Standard::embedded().map_err(failed)?), None)),
    };
    match args.package.as_slice() {
        [] => Ok(held),
        packages => in_force(&held, packages).map(Arc::new),
    }
}

struct Checker<'a> {
    validator: &'a Validator,
    profile: Option<&'a str>,
}

impl Checker<'_> {
    fn issues(&self, item: Item) -> Result<Vec<Issue>, Failure> {
        let value = match item.content {
            Ok(value) => value,
            Err(malformed) => {
                let said = report::malformed(&malformed);
                let issue = Issue::error(IssueType::Structure, said);
                return Ok(vec![Issue { severity: Severity::Fatal, ..issue }]);
            }
        };
        let resource = match Resource::from_value(value) {
            Ok(resource) => resource,
            Err(fault) => {
                let issue = Issue::error(IssueType::Structure, format!("{fault}."));
                return Ok(vec![issue.at("resourceType")]);
            }
        };
        let mut issues = self.validator.check(&resource);
        if let Some(profile) = self.profile {
            let held = self.validator.check_profile(&resource, profile);
            for issue in held.map_err(|unknown| Failure::new(profile, unknown))? {
                if !issues.contains(&issue) {
                    issues.push(issue);
                }
            }
        }
        Ok(issues)
    }
}
