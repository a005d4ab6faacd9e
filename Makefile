# Nothing but Python 3.11 or newer and make is needed; everything else goes into .venv from hash-checked locks.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check
# One thread for each process: two test processes on two cores are faster than four threads fighting for them.
export OMP_NUM_THREADS ?= 1

.PHONY: demo test page check format model lock clean help

help:
	@echo "make demo    read the example photos, write pictures of the readings to build/"
	@echo "make page    open the page in a browser of this machine"
	@echo "make test    check style and types, run all tests"
	@echo "make check   style and types only;  make format  rewrite in the house style"
	@echo "make model   render pictures and train the networks anew"
	@echo "make lock    pin the requirements anew (needs network)"

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
	  || { echo "camdial needs Python 3.11 or newer; name one: make PYTHON=python3.12" >&2; exit 1; }
	@$(PYTHON) -m venv $(VENV) \
	  || { rm -rf $(VENV); echo "no virtual environment can be made; on Debian: apt-get install python3-venv" >&2; exit 1; }

$(VENV)/run.done: requirements/run.txt pyproject.toml | $(BIN)/python
	$(PIP) install --quiet --require-hashes -r requirements/run.txt
	$(PIP) install --quiet --no-deps --no-build-isolation -e .
	@touch $@

$(VENV)/page.done: requirements/page.txt $(VENV)/run.done
	$(PIP) install --quiet --require-hashes -r requirements/page.txt
	@touch $@

$(VENV)/test.done: requirements/test.txt requirements/train.txt $(VENV)/page.done
	$(PIP) install --quiet --require-hashes -r requirements/test.txt -r requirements/train.txt
	@touch $@

demo: $(VENV)/run.done
	$(BIN)/python -m examples.demo

page: $(VENV)/page.done
	$(BIN)/camdial page

check: $(VENV)/test.done
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

format: $(VENV)/test.done
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

test: check
	$(BIN)/pytest -n 2 --dist loadfile

# From nothing to the networks: pictures of the seeds that the shipped ones saw, as many steps in one run each, calibration.
# The shipped weights came about in two goes and cannot be made again bit by bit (DEVELOPERS.md); this makes their equals.
# With a GPU an hour, most of it pictures; on a processor alone weeks of path tracing: say FEWER=100 for a hundredth of all.
CORES ?= 2
FEWER ?= 1
STEPS ?= --steps reader=5650 --steps finder=3140
SCALES := coin=0.65,ruler=0.15,card=0.1,none=0.1
TRACE := $(BIN)/python -m synthetic.pathtrace --size 800 --spp 32 --set train --negatives 0.15 --max-tilt 30 --hard 0.15
model: $(VENV)/test.done
	$(BIN)/python -m synthetic.render --out data/fast1 --count $$((23096 / $(FEWER))) --seed 31 --negatives 0.2 --processes $(CORES)
	$(BIN)/python -m synthetic.render --out data/fast2 --count $$((18659 / $(FEWER))) --seed 131 --negatives 0.2 --processes $(CORES)
	$(TRACE) --scales $(SCALES) --out data/traced1 --count $$((775 / $(FEWER))) --seed 21
	$(TRACE) --scales $(SCALES) --out data/traced2 --count $$((615 / $(FEWER))) --seed 121
	$(BIN)/python -m synthetic.pathtrace --out data/calibration --count 200 --seed 5 --set heldout \
	  --negatives 0.25 --hard 0.2 --max-tilt 28
	$(BIN)/python -m synthetic.render --out data/not-cams --count 160 --seed 505 --negatives 1 --held-out --processes $(CORES)
	$(BIN)/python -m train.build --data data/fast1 --data data/fast2 --data data/traced1 --data data/traced2 \
	  --calibration data/calibration --calibration data/not-cams --out data/runs --models vision/models $(STEPS)
	$(BIN)/python -m synthetic.outlines --out data/outlines.jsonl --count 4000 --seed 7 --processes $(CORES)
	$(BIN)/python -m train.outline_words data/outlines.jsonl --out vision/models/outline.onnx --epochs 25
	$(BIN)/python -m train.calibrate_vote data/calibration --model vision/models/outline.onnx
	$(BIN)/python -m train.rim --data data/fast1 --data data/traced1 --drawn 20000 --minutes 20 --out vision/models/rim.onnx

lock:
	PYTHON=$(PYTHON) requirements/lock.sh

clean:
	rm -rf $(VENV) build *.egg-info
