//! Links to one letter: made, opened, read, counted, ended, and what they do not open.

use serde_json::{Value, json};

use crate::oidc::{Browser, Clinic, THERAPIST};

const LETTERS: &str = "/episodes/demo-aldis-episode/letters";

/// A clinic with a signed letter: its therapist's browser, the letter's id, what the page sends back.
async fn signed(clinic: &Clinic) -> (Browser<'_>, String, String) {
    let mut browser = clinic.browser();
    browser.sign_in(THERAPIST).await.leads();
    let csrf = browser.open(LETTERS).await.has_status(200).csrf();
    let letter = sign(&mut browser, &csrf, &[]).await;
    (browser, letter, csrf)
}

async fn sign(browser: &mut Browser<'_>, csrf: &str, more: &[Value]) -> String {
    let attester = json!({ "name": "attester", "valueReference": { "reference": THERAPIST } });
    let all: Vec<&Value> = [&attester].into_iter().chain(more).collect();
    let body = json!({ "resourceType": "Parameters", "parameter": all });
    let path = "/fhir/EpisodeOfCare/demo-aldis-episode/$finalize-letter";
    let told: Value =
        serde_json::from_slice(&browser.script(path, csrf, &body).await.has_status(200).bytes)
            .unwrap();
    let reference = crate::letter::reference(&told, "letter");
    reference.strip_prefix("Composition/").unwrap().to_owned()
}

/// Makes a link to the letter: its path.
async fn link(browser: &mut Browser<'_>, letter: &str, csrf: &str, uses: &str) -> String {
    let fields = [("csrf", csrf), ("recipient", "Dr Iva Somebody"), ("days", "7"), ("uses", uses)];
    let made = browser.submit(&format!("{LETTERS}/{letter}/links"), &fields).await.has_status(201);
    let text = made.text();
    let address = text.split_once("readonly value=\"").unwrap().1.split('"').next().unwrap();
    address[address.find("/shared/").unwrap()..].to_owned()
}

/// How often each link to the letters was used, and its state, as the page tells.
async fn told(browser: &mut Browser<'_>) -> Vec<String> {
    let text = browser.open(LETTERS).await.has_status(200).text();
    text.split("<strong>Dr Iva Somebody</strong>").skip(1).map(str::to_owned).collect()
}

#[actix_web::test]
async fn a_recipient_reads_the_letter_and_nothing_else() {
    let clinic = Clinic::start().await;
    let (mut therapist, letter, csrf) = signed(&clinic).await;
    let path = link(&mut therapist, &letter, &csrf, "2").await;
    assert_eq!(path.len(), "/shared/".len() + 43, "256 bits in base64url");

    // Programs that look behind links spend nothing and learn nothing of the patient.
    let mut preview = clinic.browser();
    for verb in ["GET", "HEAD", "GET", "GET"] {
        let page = preview.send(verb, &path, &[], String::new()).await.has_status(200);
        assert!(!page.text().contains("Aldis") && !page.text().contains(&letter));
        assert!(page.header("Set-Cookie").is_empty());
        assert_eq!(page.header("Referrer-Policy"), "no-referrer");
    }
    assert!(told(&mut therapist).await[0].contains("Opened 0 of 2 times."));

    let mut recipient = clinic.browser();
    let first = recipient.open(&path).await.has_status(200).text();
    assert!(first.contains("Dr Iva Somebody") && first.contains("class=\"cautions\""));
    assert_eq!(recipient.submit(&path, &[]).await.leads(), "/shared");
    let cookie = recipient.set.first().unwrap().clone();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"), "{cookie}");
    assert!(!cookie.contains(path.trim_start_matches("/shared/")), "the cookie is not the link");
    let page = recipient.open("/shared").await.has_status(200).text();
    assert!(page.contains("class=\"cautions\"") && page.contains("Signed "), "{page}");
    let shown = recipient.open("/shared/letter/page").await.has_status(200);
    assert!(shown.text().contains("Aldis"));
    assert!(shown.header("Content-Security-Policy").contains("sandbox"));
    let pdf = recipient.open("/shared/letter/pdf").await.has_status(200);
    assert!(pdf.bytes.starts_with(b"%PDF-") && pdf.header("Content-Type") == "application/pdf");
    let document = recipient.open("/shared/letter/document").await.has_status(200);
    let document: Value = serde_json::from_slice(&document.bytes).unwrap();
    assert_eq!(
        (&document["resourceType"], &document["type"]),
        (&json!("Bundle"), &json!("document"))
    );
    // The same bytes as whoever may read the record gets.
    let held = format!("/Bundle/{}", document["id"].as_str().unwrap());
    let stored = clinic.program("GET", &held, String::new()).await;
    assert_eq!(stored.has_status(200).json(), document);

    // Nothing else: not as a cookie, not as a token, not with the cookie of the other kind.
    let reading = recipient.cookies["spondyl-letter"].clone();
    let text = path.trim_start_matches("/shared/").to_owned();
    for other in [
        "/",
        LETTERS,
        "/episodes/demo-aldis-episode",
        "/patients/demo-aldis",
        "/audit",
        "/fhir/Patient",
        "/fhir/Patient/demo-aldis",
        "/fhir/_history",
        &format!("/fhir/Composition/{letter}"),
        "/fhir/EpisodeOfCare/demo-aldis-episode/$episode-summary",
        "/fhir/$export",
    ] {
        assert!(recipient.open(other).await.leads().starts_with("/sign-in"), "{other}");
        for bearer in [&reading, &text] {
            let bearer = format!("Bearer {bearer}");
            let headers = [("Authorization", bearer.as_str())];
            assert_eq!(preview.send("GET", other, &headers, String::new()).await.status, 401);
        }
        let mut stranger = clinic.browser();
        stranger.cookies.insert("spondyl-session".to_owned(), reading.clone());
        assert!(stranger.open(other).await.leads().starts_with("/sign-in"), "{other}");
    }
    recipient.open("/shared/letter/other").await.has_status(404);

    // Every use is counted and listed.
    let lines = told(&mut therapist).await;
    assert!(lines.len() == 1 && lines[0].contains("Opened 1 of 2 times."), "{lines:?}");
    assert!(lines[0].contains("Made by Maren Tolquist"));
    recipient.submit(&path, &[]).await.leads();
    let lines = told(&mut therapist).await;
    assert!(lines[0].contains("Opened 2 of 2 times.") && lines[0].contains("used up"));
    assert_eq!(lines[0].split("</form>").next().unwrap().matches(" UTC</li>").count(), 2);
    // The page does not tell the address again.
    assert!(!therapist.open(LETTERS).await.text().contains(&text));
}

/// What opens nothing looks the same, whatever the reason.
#[actix_web::test]
async fn links_that_open_nothing() {
    let clinic = Clinic::start().await;
    let (mut therapist, letter, csrf) = signed(&clinic).await;
    let spent = link(&mut therapist, &letter, &csrf, "1").await;
    let mut recipient = clinic.browser();
    recipient.submit(&spent, &[]).await.leads();
    let ended = link(&mut therapist, &letter, &csrf, "5").await;
    let mut reader = clinic.browser();
    reader.submit(&ended, &[]).await.leads();
    reader.open("/shared/letter/page").await.has_status(200);
    let page = therapist.open(LETTERS).await.text();
    let mut action = page.split("action=\"").skip(1).map(|rest| rest.split('"').next().unwrap());
    let action = action.find(|action| action.contains("/links/")).unwrap().to_owned();
    assert_eq!(
        page.matches(&format!("/{letter}/links/")).count(),
        1,
        "what is over cannot be ended"
    );
    // Ending is for the page of who is signed in, and for a link of that letter.
    assert_eq!(therapist.submit(&action, &[("csrf", "other")]).await.status, 403);
    let foreign = action.replace(&letter, "other");
    therapist.submit(&foreign, &[("csrf", &csrf)]).await.has_status(404);
    reader.open("/shared").await.has_status(200);
    let back = therapist.submit(&action, &[("csrf", &csrf)]).await.leads();
    assert_eq!(back, format!("{LETTERS}#{letter}"));

    let guessed = format!("/shared/{}", "A".repeat(43));
    let mut pages = Vec::new();
    for path in
        [spent.as_str(), &ended, &guessed, "/shared/x", &spent[..spent.len() - 1], "/shared/%00"]
    {
        pages.push(recipient.open(path).await.has_status(410).text());
        pages.push(clinic.browser().submit(path, &[]).await.has_status(410).text());
    }
    // Who was reading by a link that was ended reads no more; nobody reads without having opened one.
    for path in ["/shared", "/shared/letter/page", "/shared/letter/pdf", "/shared/letter/document"]
    {
        pages.push(reader.open(path).await.has_status(410).text());
        pages.push(clinic.browser().open(path).await.has_status(410).text());
    }
    assert!(pages.iter().all(|page| *page == pages[0]) && !pages[0].contains("Aldis"));
    // By the link that is used up the one who opened it still reads.
    recipient.open("/shared/letter/page").await.has_status(200);
}

#[actix_web::test]
async fn what_can_be_shared_and_by_whom() {
    let clinic = Clinic::start().await;
    let (mut therapist, letter, csrf) = signed(&clinic).await;
    let path = format!("{LETTERS}/{letter}/links");
    let good =
        [("csrf", csrf.as_str()), ("recipient", "Dr Iva Somebody"), ("days", "7"), ("uses", "5")];
    let with = |name: &'static str, value: &'static str| {
        good.map(|(own, old)| if own == name { (own, value) } else { (own, old) })
    };
    let long: &'static str = "x".repeat(201).leak();
    for (fields, status) in [
        (with("recipient", ""), 400),
        (with("recipient", long), 400),
        (with("recipient", "a\nb"), 400),
        (with("days", "0"), 400),
        (with("days", "31"), 400),
        (with("days", "1.5"), 400),
        (with("uses", "21"), 400),
        (with("uses", ""), 400),
        (with("csrf", "other"), 403),
    ] {
        let answer = therapist.submit(&path, &fields).await;
        assert_eq!(answer.status, status, "{fields:?}");
    }
    let nothing = format!("{LETTERS}/none/links");
    therapist.submit(&nothing, &good).await.has_status(404);
    // Nobody makes one of what they may not see, or without a session.
    let mut other = clinic.browser();
    other.sign_in("Practitioner/demo-therapist-plenderbeck").await.leads();
    let own = other.open("/").await.csrf();
    let sees = other.open(LETTERS).await.status;
    let fields =
        good.map(|(name, old)| if name == "csrf" { (name, own.as_str()) } else { (name, old) });
    assert_eq!(other.submit(&path, &fields).await.status, if sees == 200 { 201 } else { 404 });
    assert_eq!(clinic.browser().submit(&path, &good).await.status, 401);
    // A letter that was replaced is shared no more; who reads it is told.
    let link = link(&mut therapist, &letter, &csrf, "5").await;
    let mut recipient = clinic.browser();
    recipient.submit(&link, &[]).await.leads();
    let words = json!({ "name": "words", "valueString": "Corrected." });
    let replaces = json!({ "name": "replaces", "valueReference": { "reference": format!("Composition/{letter}") } });
    sign(&mut therapist, &csrf, &[words, replaces]).await;
    assert_eq!(therapist.submit(&path, &good).await.status, 409);
    let page = recipient.open("/shared").await.has_status(200).text();
    assert!(page.contains("A later letter has replaced this one."), "{page}");
}
