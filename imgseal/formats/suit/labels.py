"""Registered SUIT numbers.

Manifest draft -37, update management (26, 27, 28, set version), trust domains (names only).
"""

ENVELOPE_TAG, MANIFEST_TAG = 107, 1070
AUTHENTICATION, MANIFEST = 2, 3

# members of the manifest, section 8.4
VERSION_MEMBER, SEQUENCE_NUMBER, COMMON, REFERENCE_URI, COMPONENT_MEMBER, SET_VERSION = 1, 2, 3, 4, 5, 6
VALIDATE, LOAD, INVOKE_MEMBER = 7, 8, 9
COSWID, DEPENDENCY_RESOLUTION, PAYLOAD_FETCH, CANDIDATE_VERIFICATION = 14, 15, 16, 18
INSTALL, TEXT, UNINSTALL = 20, 23, 24
SEVERABLE = (COSWID, DEPENDENCY_RESOLUTION, PAYLOAD_FETCH, CANDIDATE_VERIFICATION, INSTALL, TEXT)
MANIFEST_MEMBERS = {
    1: "manifest version",
    2: "sequence number",
    3: "common",
    4: "reference URI",
    5: "manifest component",
    6: "set version",
    7: "validate",
    8: "load",
    9: "invoke",
    14: "CoSWID",
    15: "dependency resolution",
    16: "payload fetch",
    18: "candidate verification",
    20: "install",
    23: "text",
    24: "uninstall",
}
ENVELOPE_MEMBERS = (AUTHENTICATION, MANIFEST, *SEVERABLE)

# members of common, section 8.4.5
DEPENDENCIES, COMPONENTS, SHARED = 1, 2, 4

# conditions, section 8.4.9
CONDITION_VENDOR, CONDITION_CLASS, CONDITION_IMAGE_MATCH, CONDITION_SLOT, CONDITION_CONTENT = 1, 2, 3, 5, 6
CONDITION_ABORT, CONDITION_DEVICE = 14, 24
CONDITION_MINIMUM_BATTERY, CONDITION_UPDATE_AUTHORISED, CONDITION_VERSION = 26, 27, 28
CONDITIONS = {
    1: "vendor identifier",
    2: "class identifier",
    3: "image match",
    4: "use before",
    5: "component slot",
    6: "check content",
    7: "dependency integrity",
    8: "is dependency",
    14: "abort",
    24: "device identifier",
    25: "image not match",
    26: "minimum battery",
    27: "update authorised",
    28: "version",
}

# directives, section 8.4.10
PROCESS_DEPENDENCY, SET_COMPONENT_INDEX, TRY_EACH, WRITE, SET_PARAMETERS, OVERRIDE_PARAMETERS = 11, 12, 15, 18, 19, 20
FETCH, COPY, INVOKE, WAIT, SWAP, RUN_SEQUENCE = 21, 22, 23, 29, 31, 32
UNLINK, OVERRIDE_MULTIPLE, COPY_PARAMETERS = 33, 34, 35
COMMANDS = {
    **CONDITIONS,
    11: "process dependency",
    12: "set component index",
    15: "try each",
    18: "write",
    19: "set parameters",
    20: "override parameters",
    21: "fetch",
    22: "copy",
    23: "invoke",
    29: "wait",
    31: "swap",
    32: "run sequence",
    33: "unlink",
    34: "override multiple",
    35: "copy parameters",
}

# parameters, section 8.4.8
VENDOR_ID, CLASS_ID, IMAGE_DIGEST, USE_BEFORE, SLOT, STRICT_ORDER, SOFT_FAILURE, IMAGE_SIZE = 1, 2, 3, 4, 5, 12, 13, 14
CONTENT, ENCRYPTION_INFO, URI, SOURCE_COMPONENT = 18, 19, 21, 22
INVOKE_ARGUMENTS, DEVICE_ID, FETCH_ARGUMENTS = 23, 24, 25
MINIMUM_BATTERY, UPDATE_PRIORITY, VERSION, WAIT_INFO, METADATA = 26, 27, 28, 29, 30
PARAMETERS = {
    1: "vendor id",
    2: "class id",
    3: "image digest",
    4: "use before",
    5: "component slot",
    12: "strict order",
    13: "soft failure",
    14: "image size",
    18: "content",
    19: "encryption info",
    21: "uri",
    22: "source component",
    23: "invoke arguments",
    24: "device id",
    25: "fetch arguments",
    26: "minimum battery",
    27: "update priority",
    28: "version",
    29: "wait info",
    30: "component metadata",
}

# comparisons of the version parameter, update management -14; tests/vectors/suit-versions.json
VERSION_GREATER, VERSION_GREATER_EQUAL, VERSION_EQUAL, VERSION_LESS_EQUAL, VERSION_LESS = 1, 2, 3, 4, 5

BILL_OF_MATERIALS = -257  # private use, section 11: negative text labels below -256 are the application's
LOG_HEAD = -258  # likewise: the log before this release, so that every package is a witness of it
MANIFEST_TEXT = {
    1: "manifest description",
    2: "update description",
    3: "JSON source",
    4: "YAML source",
    BILL_OF_MATERIALS: "bill of materials",
    LOG_HEAD: "head of the release log",
}
MODEL_NAME = 2
COMPONENT_TEXT = {
    1: "vendor name",
    MODEL_NAME: "model name",
    3: "vendor domain",
    4: "model info",
    5: "description",
    6: "version",
    7: "version required",
    8: "current version",
}
