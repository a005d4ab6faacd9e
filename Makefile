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

# From nothing to the networks: the pictures, steps and goes of the shipped ones. Their weights come out alike, not bit by
# bit: they were trained on GPUs without --deterministic. With four GPUs three quarters of an hour, half of it pictures; on a
# processor alone weeks of path tracing: say FEWER=100 for a hundredth of all.
CORES ?= 2
FEWER ?= 1
STEPS ?= --steps reader=8500 --steps finder=4000 --again reader=2100@0.0012 --again finder=4300@0.002
STRUCK ?= --steps 400 --rate 0.00025 --batch 8 --seed 3
FURTHER ?= --steps 4500 --rate 0.0015 --seed 3
RIM_STEPS ?= 12000
EDGE_STEPS ?= 9000
SHAPE_STEPS ?= 6984
LEAN_STEPS ?= 6817
HOLE_STEPS ?= 17731
TRACE := $(BIN)/python -m synthetic.pathtrace --size 960 --spp 32 --set train --max-tilt 30 --hard 0.15
SCALES := coin=0.52,ruler=0.22,card=0.12,cylinder=0.05,none=0.09
LATER := --data data/later/fast --data data/later/traced
OUTLINED := --data data/outlined/traced --data data/outlined/fast
HELD_OUT := $(BIN)/python -m synthetic.pathtrace --set heldout
model: $(VENV)/test.done
	$(BIN)/python -m synthetic.render --out data/fast --count $$((11000 / $(FEWER))) --seed 231 --negatives 0.2 --processes $(CORES)
	$(TRACE) --negatives 0.15 --scales $(SCALES) --out data/traced --count $$((1260 / $(FEWER))) --seed 221
	$(TRACE) --negatives 0.15 --scales $(SCALES) --out data/traced --start 100000 --count $$((1253 / $(FEWER))) --seed 221
	$(HELD_OUT) --out data/calibration --count 200 --seed 5 --negatives 0.25 --hard 0.2 --max-tilt 28
	$(HELD_OUT) --out data/heldout --count 256 --seed 77 --negatives 0 --max-tilt 30 --scales coin=0.5,ruler=0.25,card=0.2,none=0.05
	$(HELD_OUT) --out data/heldout-2 --count 320 --seed 79 --negatives 0 --max-tilt 30 --scales coin=0.5,ruler=0.25,card=0.2,none=0.05
	$(HELD_OUT) --out data/heldout-3 --count 599 --seed 91 --negatives 0 --max-tilt 30 --scales coin=0.5,ruler=0.25,card=0.2,none=0.05
	$(HELD_OUT) --out data/other-not-cams --count 70 --seed 78 --negatives 1
	$(HELD_OUT) --out data/other-not-cams-2 --count 56 --seed 92 --negatives 1
	$(BIN)/python -m synthetic.render --out data/not-cams --count 160 --seed 505 --negatives 1 --held-out --processes $(CORES)
	$(BIN)/python -m train.build --data data/fast --data data/traced --out data/runs --models vision/models $(STEPS) \
	  --calibration data/calibration --calibration data/heldout --calibration data/not-cams
	$(BIN)/python -m synthetic.render --out data/struck --count $$((1600 / $(FEWER))) --seed 341 --view full --negatives 0.2 --processes $(CORES)
	$(BIN)/python -m train.loop --which finder --data data/struck --start-from $$(ls -t data/runs/finder*/average.pt | head -n 1) --out data/runs/finder-struck $(STRUCK)
	$(BIN)/python -m synthetic.render --out data/later/fast --count $$((7783 / $(FEWER))) --seed 431 --negatives 0.18 --processes $(CORES)
	for row in 0:922 100000:925 200000:923 300000:909; do \
	  $(TRACE) --negatives 0.12 --scales $(SCALES) --out data/later/traced --start $${row%:*} --count $$(($${row#*:} / $(FEWER))) --seed 421 || exit 1; \
	done
	$(BIN)/python -m train.loop --which reader $(LATER) --start-from $$(ls -t data/runs/reader*/average.pt | head -n 1) --out data/runs/reader-later $(FURTHER)
	$(BIN)/python -m train.export --run data/runs/reader-later --out vision/models
	$(BIN)/python -m train.calibrate --models vision/models --data data/calibration --data data/heldout --data data/heldout-2 \
	  --data data/heldout-3 --data data/not-cams --data data/other-not-cams --data data/other-not-cams-2 --features data/fast
	$(BIN)/python -m train.rim $(LATER) --drawn 20000 --steps $(RIM_STEPS) --out vision/models/rim.onnx
	$(BIN)/python -m train.edge $(LATER) --steps $(EDGE_STEPS) --batch 96 --out vision/models/edge.onnx
	$(BIN)/python -m synthetic.render --out data/outlined/fast --count $$((4000 / $(FEWER))) --seed 591 --negatives 0 --processes $(CORES)
	$(TRACE) --size 1120 --negatives 0 --scales coin=0.45,ruler=0.27,card=0.15,cylinder=0.02,none=0.11 \
	  --out data/outlined/traced --count $$((1022 / $(FEWER))) --views 3 --seed 581
	$(BIN)/python -m train.edge --sees shape $(OUTLINED) --steps $(SHAPE_STEPS) --batch 160 --out vision/models/edge_shape.onnx
	$(BIN)/python -m train.lean $(OUTLINED) --steps $(LEAN_STEPS) --batch 160 --out vision/models/lean.onnx
	$(BIN)/python -m synthetic.render --out data/holes/fast --count $$((7000 / $(FEWER))) --seed 571 --negatives 0.1 --processes $(CORES)
	$(TRACE) --size 1120 --hard 0.12 --negatives 0 --scales coin=0.5,ruler=0.25,card=0.12,cylinder=0.02,none=0.11 \
	  --out data/holes/traced --count $$((814 / $(FEWER))) --views 3 --seed 561
	$(BIN)/python -m train.holes --data data/holes/traced --data data/holes/fast --steps $(HOLE_STEPS) --out vision/models/holes.onnx
	$(BIN)/python -m synthetic.outlines --out data/outlines.jsonl --count 4000 --seed 7 --processes $(CORES)
	$(BIN)/python -m train.outline_words data/outlines.jsonl --out vision/models/outline.onnx --epochs 25
	$(BIN)/python -m train.calibrate_vote data/calibration data/heldout --model vision/models/outline.onnx

lock:
	PYTHON=$(PYTHON) requirements/lock.sh

clean:
	rm -rf $(VENV) build *.egg-info
