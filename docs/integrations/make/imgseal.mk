# SPDX-License-Identifier: MIT
# Copyright (c) 2026 the imgseal authors
# The last step of a build with GNU Make: seals, packs, judges. Before it is included, say what there is to seal:
#
#   IMGSEAL_FIRMWARE := app=app-a.elf app=app-b.elf
#   include imgseal.mk
#
# `make package` then makes $(IMGSEAL_OUT)/release.json, which names the package and every image beside it. It runs
# again when firmware, product file, a trusted key or IMGSEAL_FLAGS has changed. For the real release, into a folder
# of its own:
#
#   make package IMGSEAL_OUT=release \
#       IMGSEAL_FLAGS="--release --set release.version=1.0.0 --revision $(git rev-parse HEAD)"

IMGSEAL ?= imgseal
IMGSEAL_OUT ?= out
IMGSEAL_FLAGS ?=

imgseal_files := $(foreach pair,$(IMGSEAL_FIRMWARE),$(firstword $(subst @, ,$(lastword $(subst =, ,$(pair))))))

.PHONY: package imgseal-always
package: $(IMGSEAL_OUT)/release.json

# other flags make another package: the flags stand in a file, which is written only when they have changed
$(IMGSEAL_OUT)/release.flags: imgseal-always
	@mkdir -p $(IMGSEAL_OUT)
	@printf '%s\n' '$(IMGSEAL_FLAGS)' | cmp -s - $@ || printf '%s\n' '$(IMGSEAL_FLAGS)' >$@

# when it refuses, nothing has been written: the old package, if any, stays, and stays out of date
$(IMGSEAL_OUT)/release.json: $(imgseal_files) $(IMGSEAL_OUT)/release.flags
	$(IMGSEAL) build $(IMGSEAL_FIRMWARE) --out $(IMGSEAL_OUT) --depfile $(IMGSEAL_OUT)/release.d $(IMGSEAL_FLAGS)

# product file and keys
-include $(IMGSEAL_OUT)/release.d
