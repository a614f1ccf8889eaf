//! Tells the build which files go into the binary, so that a new one is noticed.

fn main() {
    println!("cargo::rerun-if-changed=schemas");
    println!("cargo::rerun-if-changed=src/demo/clinic");
}
