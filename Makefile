# A fresh machine needs Python 3.11 or later and make; everything else comes from requirements.lock.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready

.PHONY: demo test check bench accuracy lock clean

demo: $(READY)  ## the main job on the shipped V6, from recording to report
	@$(BIN)/tightside demo --out demo-out

test: $(READY)  ## every test; the last line is pytest's own
	@$(BIN)/pytest -rs $(TESTS)

check: $(READY)  ## lint, format, types
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

BENCHES := $(wildcard $(addprefix benchmarks/bench_,decode.py read.py start.py cycle.py large.py))

bench: $(READY)  ## speed: decoding and reading against plain scripts, and what a user waits for
	@missed=0; for bench in $(BENCHES); do echo "$$bench"; $(BIN)/python "$$bench" || missed=1; done; exit $$missed

accuracy: $(READY)  ## right and wrong calls on simulated recordings, beside the plain script
	@$(BIN)/python benchmarks/accuracy.py

$(READY): requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
		{ echo "tightside needs Python 3.11 or later; name one with: make PYTHON=python3.11 ..." >&2; exit 1; }
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV) || \
		{ echo "cannot make $(VENV); on Debian and Ubuntu: apt-get install python3-venv" >&2; exit 1; }
	@echo "Preparing $(VENV) from requirements.lock, once." >&2
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable .
	@touch $@

lock:  ## pin everything that pyproject.toml asks for, with hashes
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet pip-tools
	CUSTOM_COMPILE_COMMAND="make lock" $(BIN)/pip-compile --quiet --upgrade --generate-hashes --extra dev --extra formats --strip-extras \
		--build-deps-for editable --allow-unsafe --no-emit-index-url --no-emit-trusted-host --no-emit-find-links \
		--output-file requirements.lock pyproject.toml

clean:
	rm -rf $(VENV) demo-out
