# make demo    lay out the invented parish's hymns into demo-pages/
# make test    style, types and all tests; says what it skipped and why
# make bench   speed and memory, as ratios against a reference in the same run
# make sweep   long seeded runs over whole corpora and thousands of damaged files; they resume
# Each does its own set-up: Python 3.11 or later and make are all a machine needs.

PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
FOLK := $(if $(wildcard ../shared/nottingham),--folder ../shared/nottingham)

.PHONY: demo test check bench sweep format clean

demo: $(VENV)/ready
	@$(BIN)/undersong demo -o demo-pages

test: $(VENV)/ready-tests
	@$(MAKE) --no-print-directory check
	@$(BIN)/python -m pytest -n 2

check: $(VENV)/ready-tests
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check -q .
	@$(BIN)/mypy

bench: $(VENV)/ready-tests
	-@$(BIN)/python bench/whole_job.py
	@$(BIN)/python bench/reading.py
	@$(BIN)/python bench/harmony.py
	@$(BIN)/python bench/layout.py
	-@$(BIN)/python bench/sound.py
	-@$(BIN)/python bench/page.py

sweep: $(VENV)/ready-tests
	@mkdir -p sweep-results
	@$(BIN)/python sweeps/mutations.py --count 10000 --seed 1 --state sweep-results/mutations.json
	@$(BIN)/python sweeps/chorales.py --state sweep-results/chorales.jsonl
	@$(BIN)/python sweeps/layouts.py --state sweep-results/layouts.jsonl $(FOLK)
	@$(BIN)/python sweeps/reading_witness.py
	@$(BIN)/python sweeps/conformance.py
	@$(BIN)/python sweeps/lines.py
	@$(BIN)/python sweeps/midi.py --state sweep-results/midi.json
	@$(BIN)/python sweeps/abc_tunes.py $(FOLK)

format: $(VENV)/ready-tests
	@$(BIN)/ruff format .
	@$(BIN)/ruff check --fix .

clean:
	rm -rf $(VENV) build dist demo-pages sweep-results

$(VENV)/ready: pyproject.toml constraints.txt tools/set_up.py
	@$(PYTHON) tools/set_up.py $(VENV) && touch $@

$(VENV)/ready-tests: pyproject.toml constraints.txt tools/set_up.py
	@$(PYTHON) tools/set_up.py $(VENV) --tests && touch $@ $(VENV)/ready
