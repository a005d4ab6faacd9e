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

# Pictures, both networks, calibration: hours on a processor; with a GPU say MINUTES=8. The steps that fitted stand in the
# networks' cards; STEPS="--steps reader=N --steps finder=N" makes the same networks again.
CORES ?= 2
MINUTES ?= 240
STEPS ?= --minutes $(MINUTES)
model: $(VENV)/test.done
	$(BIN)/python -m synthetic.render --out data/fast --count 24000 --seed 1 --view mix --processes $(CORES)
	$(BIN)/python -m synthetic.pathtrace --out data/traced --count 1500 --seed 2 --set train
	$(BIN)/python -m synthetic.pathtrace --out data/calibration --count 800 --seed 5 --set heldout \
	  --negatives 0.25 --hard 0.2 --max-tilt 28
	$(BIN)/python -m train.build --data data/fast --data data/traced --calibration data/calibration \
	  --out data/runs --models vision/models $(STEPS)
	$(BIN)/python -m synthetic.outlines --out data/outlines.jsonl --count 8000 --seed 7 --processes $(CORES)
	$(BIN)/python -m train.outline_words data/outlines.jsonl --out vision/models/outline.onnx
	$(BIN)/python -m train.calibrate_vote data/calibration --model vision/models/outline.onnx
	$(BIN)/python -m train.rim --data data/fast --data data/traced --drawn 20000 --minutes 20 --out vision/models/rim.onnx

lock:
	PYTHON=$(PYTHON) requirements/lock.sh

clean:
	rm -rf $(VENV) build *.egg-info
