PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
CONSTRAINTS := .ci/constraints.txt
TENSIDE = $(abspath $(BIN))/tenside
DEMO := demo
THICKENER := sorbitan-sesquicaprylate
AS_WEIGHED := aqua=3884.2@tap-1125 glycerin=104.3@TG-88 tetrasodium-glutamate-diacetate=5.2@LW-31 \
  sodium-laureth-sulfate-2eo-70=316.9@QN-2207 cocamidopropyl-betaine=395.6@QN-2214 coco-glucoside=151.2@LW-140 \
  caprylyl-capryl-glucoside=84.6@LW-152 parfum=15.6@GL-7 sodium-benzoate=26.1@TG-19 potassium-sorbate=15.5@TG-20
# Each page lies in the demo's folder as text, too; its first lines are shown. The readings are invented.
DO = @cd $(DEMO) && $(TENSIDE)
TELL = && sed -n

.PHONY: demo test check test-all bench bench-pair soak clean

# From the brief to the bottles, on the refill shop's data.
demo: $(READY)
	@$(BIN)/tenside blend hand-wash
	@echo
	@echo "The same shelf, an impossible brief:"
	@echo
	@$(BIN)/tenside blend impossible-wash || test $$? -eq 4
	@if test -e $(DEMO)/.made-by-make-demo; then rm -rf $(DEMO); fi
	@mkdir $(DEMO) && touch $(DEMO)/.made-by-make-demo
	@printf '\n%s\n' "One batch of the hand wash, from the weigh sheet to the bottles:"
	$(DO) batch hand-wash --bottles 20 --bottle 250 --density 1.02 --loss 2 --scale 0.1 --number HW-012 \
	  --out batch.toml > batch.txt $(TELL) 1,7p batch.txt
	$(DO) weigh batch.toml --html weigh-sheet.html --pdf weigh-sheet.pdf --xlsx weigh-sheet.xlsx > weigh-sheet.txt \
	  $(TELL) 1,14p weigh-sheet.txt
	$(DO) weighed batch.toml $(AS_WEIGHED) > weighed.txt
	$(DO) ph batch.toml --of batch --read 9.2 --water 9 --with "citric acid anhydrous" --strength 50 > ph-1.txt \
	  $(TELL) 1,3p ph-1.txt
	$(DO) ph batch.toml --added 10.7 --read 5.6 --water 9 > ph-2.txt $(TELL) 3p ph-2.txt
	$(DO) ph batch.toml --added 17.2 --read 5.1 --water 9 > ph-3.txt $(TELL) 3,22p ph-3.txt
	$(DO) thicken batch.toml --material $(THICKENER) --added 0 --viscosity 120 --target 3000 --temperature 22 \
	  > thickening-1.txt $(TELL) 1,14p thickening-1.txt
	$(DO) thicken batch.toml --material $(THICKENER) --added 0.5 --viscosity 900 --ph 5.1 --temperature 22 \
	  > thickening-2.txt
	$(DO) thicken batch.toml --material $(THICKENER) --added 1 --viscosity 3050 --ph 5.1 --temperature 22 \
	  > thickening-3.txt $(TELL) 3,24p thickening-3.txt
	$(DO) weighed batch.toml --finish-mass 5190 --water-added 160 --bottles 19 > finished.txt
	$(DO) made batch.toml --master next-master.csv > made.txt $(TELL) 1,30p made.txt
	$(DO) label batch.toml --assessor assessor.xlsx > label.txt $(TELL) 1,14p label.txt
	$(DO) cost batch.toml --costs refill > cost.txt $(TELL) 1,24p cost.txt
	$(DO) card batch.toml --pdf card.pdf --png card.png > card.txt
	$(DO) records master hand-wash --why "first version" > master.txt
	$(DO) records keep batch.toml > kept.txt
	$(DO) records tests HW-012 > tests.txt $(TELL) 1,16p tests.txt
	$(DO) page batch.toml --out hand-wash.html --with frontier,leeway > page.txt
	@printf '\n%s\n' "To read and print, in $(DEMO)/: hand-wash.html (the report), weigh-sheet.pdf, card.pdf, label.txt,"
	@printf '%s\n' "cost.txt, made.txt; the batch is in batch.toml, the records are in records.db."

test: $(READY)
	$(BIN)/python -m pytest -n auto --dist loadgroup

check: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-cache

test-all: test
	$(PYTHON) .ci/test_all.py

bench: $(READY)
	$(BIN)/python tests/benchmarks/run.py $(PARTS)

bench-pair: $(READY)
	$(BIN)/python tests/benchmarks/pair.py $(BASE)

soak: $(READY)
	$(BIN)/python tests/soak.py

$(READY): pyproject.toml $(CONSTRAINTS)
	$(PYTHON) -c "import sys; sys.exit(sys.version_info < (3, 11) and 'tenside needs Python 3.11 or newer: make PYTHON=python3.12')"
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c $(CONSTRAINTS) -e '.[dev]'
	@touch $@

clean:
	rm -rf $(VENV) .venv-* build dist *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis
