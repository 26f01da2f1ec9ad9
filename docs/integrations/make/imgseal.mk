# The last step of a build with GNU Make: seals, packs, judges. Before it is included, say what there is to seal:
#
#   IMGSEAL_FIRMWARE := app=app-a.elf app=app-b.elf
#   include imgseal.mk
#
# `make package` then makes $(IMGSEAL_OUT)/release.json, which names the package and every image beside it. It runs
# again when firmware, product file or a trusted key has changed. For the real release, into a folder of its own:
#
#   make package IMGSEAL_OUT=release IMGSEAL_FLAGS='--release --set release.version=1.0.0'

IMGSEAL ?= imgseal
IMGSEAL_OUT ?= out
IMGSEAL_FLAGS ?=

imgseal_files := $(foreach pair,$(IMGSEAL_FIRMWARE),$(firstword $(subst @, ,$(lastword $(subst =, ,$(pair))))))

.PHONY: package
package: $(IMGSEAL_OUT)/release.json

# when it refuses, nothing has been written: the old package, if any, stays, and stays out of date
$(IMGSEAL_OUT)/release.json: $(imgseal_files)
	$(IMGSEAL) build $(IMGSEAL_FIRMWARE) --out $(IMGSEAL_OUT) --depfile $(IMGSEAL_OUT)/release.d $(IMGSEAL_FLAGS)

# product file and keys
-include $(IMGSEAL_OUT)/release.d
