# The two commands of the README. Each does all set-up first; both can be repeated.

.PHONY: demo test

# A small étude and takes of it from the built-in voice, checked and reported.
demo:
	@scripts/setup build
	@echo "The first build compiles a music engraver: about 10 minutes on two busy cores, once."
	cargo run --release --locked --quiet -- demo

test:
	@scripts/setup test
	cargo test --locked
