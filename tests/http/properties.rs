//! Random sequences of what clients do, beside a model that only keeps lists: no version is ever
//! lost, versions rise by one, histories and searches agree with the model; also when the server
//! stops in the middle and starts anew on what is kept.
//!
//! `SPONDYL_PROPERTIES` is how many sequences are tried; without it a few, always the same.

use std::cell::Cell;

use proptest::collection::vec;
use proptest::prelude::*;
use proptest::test_runner::{RngSeed, TestRunner};

use crate::client::Server;
use crate::model::Model;
use crate::model::step::{Step, step};

fn runner(cases: u32) -> TestRunner {
    let asked = std::env::var("SPONDYL_PROPERTIES").ok();
    let rng_seed = if asked.is_some() { RngSeed::Random } else { RngSeed::Fixed(1) };
    let cases = asked.map_or(cases, |text| text.parse().unwrap());
    TestRunner::new(ProptestConfig {
        cases,
        rng_seed,
        max_shrink_iters: 300,
        failure_persistence: None,
        ..ProptestConfig::default()
    })
}

#[test]
fn the_server_agrees_with_a_list() {
    let system = actix_web::rt::System::new();
    let server = Server::start();
    let case = Cell::new(0);
    let result = runner(24).run(&vec(step(), 1..60), |steps| {
        case.set(case.get() + 1);
        let mut model = Model::new(case.get());
        system.block_on(async {
            for step in &steps {
                model.run(&server, step).await;
            }
            model.check_all(&server).await;
        });
        Ok(())
    });
    if let Err(error) = result {
        panic!("{error}");
    }
}

#[test]
fn a_new_start_loses_nothing() {
    let system = actix_web::rt::System::new();
    let lives = vec(vec(step(), 1..20), 2..4);
    let result = runner(4).run(&lives, |lives: Vec<Vec<Step>>| {
        let directory = tempfile::tempdir().unwrap();
        let mut model = Model::new(1);
        system.block_on(async {
            for steps in &lives {
                let server = Server::in_directory(directory.path());
                model.check_all(&server).await;
                for step in steps {
                    model.run(&server, step).await;
                }
                server.stop().await;
            }
            let server = Server::in_directory(directory.path());
            model.check_all(&server).await;
            server.stop().await;
        });
        Ok(())
    });
    if let Err(error) = result {
        panic!("{error}");
    }
}
