//! What an audit was asked for, and the addresses that ask the same.

use crate::fhir::query::encode;

/// A Measure, a period and a grouping, as they were typed or by default.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Asked {
    /// The id of the Measure.
    pub measure: Option<String>,
    /// The first day.
    pub start: String,
    /// The last day.
    pub end: String,
    /// The code of the stratifier.
    pub stratifier: Option<String>,
}

impl Asked {
    fn pairs(&self) -> Vec<(String, String)> {
        let pair = |name: &str, value: &str| (name.to_owned(), value.to_owned());
        let measure = self.measure.as_deref().map(|measure| pair("measure", measure));
        let split = self.stratifier.as_deref().map(|code| pair("stratifier", code));
        let period = [pair("periodStart", &self.start), pair("periodEnd", &self.end)];
        measure.into_iter().chain(period).chain(split).collect()
    }

    /// The address of a page that is asked the same.
    pub fn path(&self, page: &str) -> String {
        self.path_with(page, &[])
    }

    /// The same with more parameters.
    pub fn path_with(&self, page: &str, more: &[(&str, &str)]) -> String {
        let more = more.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned()));
        let pairs: Vec<(String, String)> = self.pairs().into_iter().chain(more).collect();
        format!("{page}?{}", encode(&pairs))
    }

    /// The same by another stratifier.
    #[must_use]
    pub fn by(&self, stratifier: &str) -> Self {
        Self { stratifier: Some(stratifier.to_owned()), ..self.clone() }
    }

    /// The request of the API that answers, below `api`, with a report of that type.
    pub fn request(&self, api: &str, report: &str) -> String {
        let (path, query) = self.operation(report);
        format!("{api}/{path}?{query}")
    }

    /// Its path below the base, and its query. A report over a population is the default and not
    /// named.
    pub fn operation(&self, report: &str) -> (String, String) {
        let measure = self.measure.as_deref().unwrap_or_default();
        let mut pairs = vec![
            ("periodStart".to_owned(), self.start.clone()),
            ("periodEnd".to_owned(), self.end.clone()),
        ];
        if report != "population" {
            pairs.push(("reportType".to_owned(), report.to_owned()));
        }
        (format!("Measure/{measure}/$evaluate-measure"), encode(&pairs))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses() {
        let asked = Asked {
            measure: Some("drop-out".into()),
            start: "2026-01-01".into(),
            end: "2026-12-31".into(),
            stratifier: Some("site".into()),
        };
        let period = "periodStart=2026-01-01&periodEnd=2026-12-31";
        let path = asked.path("/audit");
        assert_eq!(path, format!("/audit?measure=drop-out&{period}&stratifier=site"));
        let request = asked.request("/fhir", "population");
        assert_eq!(request, format!("/fhir/Measure/drop-out/$evaluate-measure?{period}"));
        let list = asked.request("/fhir", "subject-list");
        assert!(list.ends_with("&reportType=subject-list"), "{list}");
        let hostile = Asked { measure: Some("a&b=\"".into()), ..Asked::default() };
        assert!(hostile.path("/audit").starts_with("/audit?measure=a%26b%3D%22&"));
    }
}
