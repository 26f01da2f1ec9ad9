"""Numbers that go over the wire, against the tables of the drafts: draft-ietf-suit-manifest-37 sections 11.1 to 11.6, and those of its extensions."""

from imgseal.formats.suit import labels

MEMBERS = """
 1 manifest version      2 sequence number         3 common          4 reference URI           5 manifest component
 6 set version           7 validate                8 load            9 invoke                 14 CoSWID
15 dependency resolution 16 payload fetch         18 candidate verification                   20 install
23 text                  24 uninstall
"""
"""Section 11.2; 5, 15, 18 and 24 of trust domains, 6 and 14 of update management."""
CONDITIONS = """
 1 vendor identifier     2 class identifier        3 image match     4 use before              5 component slot
 6 check content         7 dependency integrity    8 is dependency  14 abort                  24 device identifier
25 image not match      26 minimum battery        27 update authorised                        28 version
"""
"""Section 11.3; 7 and 8 of trust domains, 4 and 25 to 28 of update management."""
DIRECTIVES = """
11 process dependency   12 set component index    15 try each       18 write                  19 set parameters
20 override parameters  21 fetch                  22 copy           23 invoke                 29 wait
31 swap                 32 run sequence           33 unlink         34 override multiple      35 copy parameters
"""
"""Section 11.4; 11, 19 and 33 of trust domains, 29, 34 and 35 of update management."""
PARAMETERS = """
 1 vendor id             2 class id                3 image digest    4 use before              5 component slot
12 strict order         13 soft failure           14 image size     18 content                19 encryption info
21 uri                  22 source component       23 invoke arguments                         24 device id
25 fetch arguments      26 minimum battery        27 update priority                          28 version
29 wait info            30 component metadata
"""
"""Section 11.5, with 25 of the CDDL; 19 of firmware encryption, 4 and 26 to 30 of update management."""


def table(text: str) -> dict[int, str]:
    out: dict[int, str] = {}
    number = 0
    for word in text.split():
        if word.isdigit():
            number = int(word)
            assert number not in out
            out[number] = ""
        else:
            out[number] = f"{out[number]} {word}".strip()
    return out


def test_names_of_numbers() -> None:
    assert table(MEMBERS) == labels.MANIFEST_MEMBERS
    assert table(CONDITIONS) == labels.CONDITIONS
    assert table(CONDITIONS) | table(DIRECTIVES) == labels.COMMANDS
    assert table(PARAMETERS) == labels.PARAMETERS


def test_numbers_of_names() -> None:
    """A name of the sources is the number of the same name in the tables."""
    shorter = {
        "VERSION_MEMBER": "manifest version", "COMPONENT_MEMBER": "manifest component", "INVOKE_MEMBER": "invoke",
        "CONDITION_VENDOR": "vendor identifier", "CONDITION_CLASS": "class identifier", "CONDITION_SLOT": "component slot",
        "CONDITION_CONTENT": "check content", "CONDITION_DEVICE": "device identifier", "SLOT": "component slot",
        "DEVICE_ID": "device id", "METADATA": "component metadata", "COSWID": "CoSWID", "REFERENCE_URI": "reference URI",
    }  # fmt: skip
    of_table = {
        MEMBERS: "VERSION_MEMBER SEQUENCE_NUMBER COMMON REFERENCE_URI COMPONENT_MEMBER SET_VERSION VALIDATE LOAD INVOKE_MEMBER COSWID "
        "DEPENDENCY_RESOLUTION PAYLOAD_FETCH CANDIDATE_VERIFICATION INSTALL TEXT UNINSTALL",
        CONDITIONS: "CONDITION_VENDOR CONDITION_CLASS CONDITION_IMAGE_MATCH CONDITION_SLOT CONDITION_CONTENT CONDITION_ABORT CONDITION_DEVICE "
        "CONDITION_MINIMUM_BATTERY CONDITION_UPDATE_AUTHORISED CONDITION_VERSION",
        DIRECTIVES: "PROCESS_DEPENDENCY SET_COMPONENT_INDEX TRY_EACH WRITE SET_PARAMETERS OVERRIDE_PARAMETERS FETCH COPY INVOKE WAIT SWAP "
        "RUN_SEQUENCE UNLINK OVERRIDE_MULTIPLE COPY_PARAMETERS",
        PARAMETERS: "VENDOR_ID CLASS_ID IMAGE_DIGEST USE_BEFORE SLOT STRICT_ORDER SOFT_FAILURE IMAGE_SIZE CONTENT ENCRYPTION_INFO URI "
        "SOURCE_COMPONENT INVOKE_ARGUMENTS DEVICE_ID FETCH_ARGUMENTS MINIMUM_BATTERY UPDATE_PRIORITY VERSION WAIT_INFO METADATA",
    }
    for text, names in of_table.items():
        known = table(text)
        for name in names.split():
            meant = shorter.get(name) or name.removeprefix("CONDITION_").lower().replace("_", " ")
            assert known[getattr(labels, name)] == meant, name


def test_envelope_and_common() -> None:
    """Sections 8.2, 8.4.5 and 11.1; tags of section 11; severable are what an envelope can carry beside the manifest, CDDL."""
    assert (labels.ENVELOPE_TAG, labels.MANIFEST_TAG) == (107, 1070)
    assert (labels.AUTHENTICATION, labels.MANIFEST) == (2, 3)
    assert labels.SEVERABLE == (14, 15, 16, 18, 20, 23)
    assert labels.ENVELOPE_MEMBERS == (2, 3, 14, 15, 16, 18, 20, 23)
    assert (labels.DEPENDENCIES, labels.COMPONENTS, labels.SHARED) == (1, 2, 4)


def test_comparisons_of_versions() -> None:
    """draft-ietf-suit-update-management-14, table of the version match."""
    assert (labels.VERSION_GREATER, labels.VERSION_GREATER_EQUAL, labels.VERSION_EQUAL) == (1, 2, 3)
    assert (labels.VERSION_LESS_EQUAL, labels.VERSION_LESS) == (4, 5)


def test_text() -> None:
    """Section 8.4.4; 7 and 8 of update management; -257 and -258 are private in every reading of sections 8.4.9 and 11."""
    assert labels.MANIFEST_TEXT == {
        1: "manifest description", 2: "update description", 3: "JSON source", 4: "YAML source", -257: "bill of materials",
        -258: "head of the release log",
    }  # fmt: skip
    assert labels.COMPONENT_TEXT == {
        1: "vendor name", 2: "model name", 3: "vendor domain", 4: "model info", 5: "description", 6: "version",
        7: "version required", 8: "current version",
    }  # fmt: skip
