# SPDX-License-Identifier: Apache-2.0
# One environment, .venv, built once and used by every target.

PYTHON ?= python3
PYTEST ?= -q
MINUTES ?= 10
SEED ?= 1

SHELL := bash
.SHELLFLAGS := -eu -o pipefail -c
.DEFAULT_GOAL := help
# A shell below a Python with ROS wheels passes on that Python's libraries.
unexport _ROS_WHEELS_BOOTSTRAP_COMPLETE
ifdef _ROS_WHEELS_BOOTSTRAP_COMPLETE
unexport LD_LIBRARY_PATH
endif
.PHONY: help demo bench accuracy soak faults test test-device test-distros lint clean

help:     ## this list
	@awk -F ':.*## ' '/^[a-z-]+:.*## / {printf "make %-14s %s\n", $$1, $$2}' Makefile

demo: .venv/ready     ## run the virtual four-finger hand; the report is demo/index.html
	.venv/bin/tactile demo --out demo

bench: .venv/bench-ready     ## measure this machine beside other methods; the report is bench/index.html
	.venv/bin/tactile bench --out bench

accuracy: .venv/ready     ## achieved figures against the targets, on recordings of an independent model
	.venv/bin/python -m tests.accuracy

soak: .venv/ready     ## ten minutes (MINUTES=60) of a running hand: nothing grows or slows down
	.venv/bin/python -m tests.soak --minutes $(MINUTES)

faults: .venv/ready     ## break a running hand in every way (SEED=2: other combinations)
	.venv/bin/python -m tests.faults --seed $(SEED)

test: .venv/ready     ## all tests: Kilted wheels, newest NumPy and OpenCV
	.venv/bin/python -m pytest $(PYTEST)

test-device: .venv/ready     ## only the device tests in a guest with USB (part of make test)
	.venv/bin/python -m pytest $(PYTEST) tests/device/test_guest.py

test-distros: test .venv-jazzy/ready     ## and again: Jazzy wheels, NumPy 1.26, OpenCV 4.6
	.venv-jazzy/bin/python -m pytest $(PYTEST) --ignore tests/device/test_guest.py \
	    --ignore tests/trials/test_power_cut.py

lint: .venv/ready     ## style
	.venv/bin/ruff check .

clean:     ## remove what was built
	rm -rf .venv .venv-jazzy build install log dist demo bench *.egg-info .pytest_cache .ruff_cache
	find . -name __pycache__ -type d -prune -exec rm -r {} +

.venv/ready: setup.py
	$(call environment,.venv,ros-kilted,)

.venv/bench-ready: .venv/ready
	@.venv/bin/pip install -q -e '.[bench]'
	@touch $@

# The versions of NumPy and OpenCV that Ubuntu 24.04 has.
.venv-jazzy/ready: setup.py
	$(call environment,.venv-jazzy,ros-jazzy,numpy==1.26.4 opencv-python-headless==4.6.0.66)

# $(call environment,folder,extra,pinned packages)
define environment
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 10))' || { \
	    echo 'Python 3.10 or newer is needed; found: '"$$($(PYTHON) -V 2>&1)"'.' \
	         'Name another one: make PYTHON=python3.12' >&2; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || { \
	    if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
	        apt-get update -q && apt-get install -q -y python3-venv; \
	    else echo 'This Python cannot make environments: apt install python3-venv' >&2; exit 1; fi; }
	@echo 'Building $(1) (some minutes the first time)'
	@rm -rf $(1) && $(PYTHON) -m venv $(1)
	@$(1)/bin/pip install --progress-bar off -e '.[wheels,bags,test,$(2)]' $(3) \
	    | sed -un 's/^\(Collecting [^ ]*\).*/  \1/p; s/^Installing collected.*/  Installing/p'
	@touch $@
endef
