export PATH=/usr/bin:$PATH RUSTC_BOOTSTRAP=1 RUSTC=/usr/bin/rustc
export CARGO_TARGET_DIR=/work/wt/target-ot
