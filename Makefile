# Everything a developer needs. `make` alone lists the targets.
# Only Python 3.11 or newer (with venv and pip) is expected; the rest goes into .venv.
PYTHON ?= python3
JOBS ?= 2# make test JOBS=0 keeps the tests in one process
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
ROOTS := shared vision cli tests bench

.DEFAULT_GOAL := help
.DELETE_ON_ERROR:
.PHONY: help demo test quick lint format docs bench bench-speed samples model network wheel lock clean

help: ## list the targets
	@awk -F ':.*## ' '/^[a-z-]+:.*## /{printf "make %-12s %s\n", $$1, $$2}' $(MAKEFILE_LIST)

# Made anew only when the pins or the project file change: what was there before would trouble pip.
# The pins are all there is to install: with its own look at dependencies pip takes the newest release of one that is
# wanted with an extra, and fails on its hash.
$(READY): constraints.txt pyproject.toml tests/outside/chart-photos.txt
	@$(PYTHON) -c 'import sys; sys.exit(None if sys.version_info >= (3, 11) else "Python 3.11 or newer is needed, this is %s. Name one: make PYTHON=python3.12" % sys.version.split()[0])'
	@echo "Installing the pinned packages into $(VENV) (about 1.3 GB, once; some minutes) ..."
	@$(PYTHON) -m venv --clear $(VENV)
	@$(BIN)/python -m pip install --quiet --quiet --require-hashes --no-deps -r constraints.txt
	@$(BIN)/python -m pip check --quiet
	@$(BIN)/python -m pip install --quiet --quiet --require-hashes --no-deps -r tests/outside/chart-photos.txt
	@$(BIN)/python -m pip install --quiet --quiet --no-deps --no-build-isolation --editable .
	@touch $@

demo: $(READY) ## score the sample photos into demo-out/ and print where the report is
	$(BIN)/polypward demo --photos sample_images --out demo-out

test: lint $(READY) ## lint, types, and every test with coverage: what CI runs
	$(BIN)/python -m pytest --numprocesses=$(JOBS) --cov

quick: $(READY) ## tests only, first failure stops
	$(BIN)/python -m pytest -x -q

lint: $(READY) ## ruff and mypy
	$(BIN)/ruff check $(ROOTS)
	$(BIN)/ruff format --check $(ROOTS)
	$(BIN)/mypy

format: $(READY) ## let ruff repair style
	$(BIN)/ruff check --fix $(ROOTS)
	$(BIN)/ruff format $(ROOTS)

docs: $(READY) ## build the documents as pages into site/, for reading without a network
	$(BIN)/python -m polypward_cli.reference docs/reference.md
	NO_MKDOCS_2_WARNING=1 $(BIN)/python -m mkdocs build --quiet
	@echo "Start at site/index.html"

bench: $(READY) ## measure the figures of docs/accuracy.md and print them as a table
	$(BIN)/python -m bench

bench-speed: $(READY) ## print what a photo costs beside a bare decode and a plain pipeline, two workers, memory
	$(BIN)/python -m bench --only speed memory --timed 60
	$(BIN)/python -m bench.plain_pipeline --photos 12 --training 24

samples: $(READY) ## render sample_images/ again from its story
	$(BIN)/python -m phantoms.demo_ward sample_images

model: $(READY) ## measure the tissue model's network again and write its provenance
	$(BIN)/python -m phantoms.base_model

network: $(READY) ## train the tissue model's networks anew (needs PyTorch and a GPU), then put them in use
	$(BIN)/python -m phantoms.net.tiles build/tiles --workers $(JOBS)
	$(BIN)/python -m phantoms.net.train build/tiles --out build/wide --form wide
	$(BIN)/python -m phantoms.net.train build/tiles --out build/network --teacher build/wide/net.onnx
	$(BIN)/python -m phantoms.net.train build/tiles --out build/glance --form glance --minutes 14
	$(BIN)/python -m phantoms.base_model --net build/network --glance build/glance

wheel: $(READY) ## build dist/*.whl
	rm -rf build dist
	$(BIN)/python -m build --quiet --wheel --no-isolation --outdir dist

lock: $(READY) ## resolve the pins again (the only target that takes newer releases)
	$(BIN)/python -m pip install --quiet --quiet uv
	$(BIN)/uv pip compile pyproject.toml --group dev --extra raw --extra cluster --universal --python-version 3.11 \
	  --fork-strategy fewest --generate-hashes --upgrade --quiet \
	  --no-header --no-annotate --no-emit-index-url --no-emit-find-links -o constraints.txt

clean: ## remove everything that make made
	rm -rf $(VENV) build dist site demo-out .coverage .mypy_cache .pytest_cache .ruff_cache .hypothesis
	find . -name '*.egg-info' -prune -exec rm -rf {} +
