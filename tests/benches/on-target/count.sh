#!/bin/sh
# Builds the package for the emulated Cortex-M4 at opt-level 3 and s, runs both, and writes
# ../m4_instructions.csv: name, worst instructions at 3 and at s; last the decode's bytes of code.
# Then it prints what whole ticks of the controller take, by what the press is doing: worst, mean, and
# the tick that was worst, at 3 and at s. Needs a compiler that can build
# `core` for thumbv7em-none-eabihf from source, arm-none-eabi binutils and qemu-system-arm; with
# Debian's rustc-web, cargo-web and rust-web-src: PATH=/usr/bin:$PATH RUSTC_BOOTSTRAP=1 ./count.sh
set -eu
cd "$(dirname "$0")"
out=${CARGO_TARGET_DIR:-target}/thumbv7em-none-eabihf

mkdir -p "$out"

emulate() {
    qemu-system-arm -machine mps2-an386 -cpu cortex-m4 -nographic -monitor none -serial none \
        -semihosting-config enable=on,target=native -icount shift=8 -kernel "$out/$1"
}

run() {
    cargo build --quiet --profile "$1"
    emulate "$1/stopwright-cost"
    size=$(arm-none-eabi-nm -S -C "$out/$1/stopwright-cost" |
        sed -n 's/^[0-9a-f]* \([0-9a-f]*\) . .*stopwright_core::trig::atan2$/\1/p')
    echo "bytes of code of the decode,$(printf %d "0x$size")"
}

run release > "$out/release.txt"
run small > "$out/small.txt"
{
    echo "name,opt_3,opt_s"
    paste -d, "$out/release.txt" "$out/small.txt" | cut -d, -f1,2,4
} > ../m4_instructions.csv
cat ../m4_instructions.csv
for profile in release small; do
    echo "whole ticks, $profile:"
    emulate "$profile/tick"
done
