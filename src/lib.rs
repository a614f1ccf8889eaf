//! spondyl: a clinical-record interoperability server for manual therapy of the spine.

pub mod clinical;
pub mod statistics;
pub mod audit;
pub mod fhir;
pub mod letter;
pub mod page;
pub mod definitions;
pub mod xml;
pub mod terminology;
pub mod validation;
pub mod store;
pub mod index;
pub mod repository;
pub mod search;
pub mod config;
pub mod error;
pub mod app;
pub mod interaction;
pub mod operation;
pub mod http;
pub mod demo;
pub mod generate;
pub mod command;
