"""Private scalars that everyone has: printed in standards, or kept in keys-example/; to find them in firmware.

Not listed are the scalars 1 to 3 and the seeds that are one byte over and over or count: zeros, runs and tables of any
firmware hold the same bytes. A test derives each public point of published.py from its scalar.
"""

_DRAFT = "SUIT firmware-encryption draft"
SCALARS = (
    ("RFC 6979 appendix A.2.5", "c9afa9d845ba75166b5c215767b1d6934e50c3db36e89b127b8a622b120f6721"),
    ("SUIT manifest draft appendix B", "0296588d909418b339d150420a3612b57fb4f631a69f224fae90cb4f3fe18973"),
    (f"{_DRAFT}, ES-DH example with dependency", "841aebb7b9ea6f0260be7355a24588b977d23d2ac5bf2b6b2d8379432a1fea98"),
    (f"{_DRAFT}, recipient kid-2", "60fe6dd6d85d5740a5349b6f91267eeac5ba81b8cb53ee249e4b4eb102c476b3"),
    ('COSE examples key "11"', "57c92077664146e876760c9520d054aa93c3afb04e306705db6090308507b4d3"),
    ("COSE examples key meriadoc", "aff907c99f9ad3aae6c4cdf21122bce2bd68b5283e6907154ad911840fa208cf"),
    ("RFC 7515 appendix A.3", "8e9b109e719098bf980487df1f5d77e9cb29606ebed2263b5f57c213df84f4b2"),
    ("RFC 7517 appendix A.2", "f3bd0c07a81fb932781ed52752f60cc89a6be5e51934fe01938ddb55d8f77801"),
    ("RFC 9421 appendix B.1.3", "529b85f3597e90ec5b8dfed3e26352bf4af9b4debb1a29bbae77fa105a5c603b"),
    ("NIST ECDSA P-256 worked example", "c477f9f65c22cce20657faa5b2d1d8122336f851a508a1ed04e479c34985bf96"),
    ("RFC 5903 section 8.1, initiator", "c88f01f510d9ac3f70a292daa2316de544e9aab8afe84049c62a9c57862d1433"),
    ("RFC 5903 section 8.1, responder", "c6ef9c5d78ae012a011164acb397ce2088685d8f06bf9be0b283ab46476bee53"),
    ("keys-example/images.pem", "90f009833ed23a85fc23d61b369986555aacf9982700d8889bc691741fc625a6"),
    ("keys-example/packages.pem", "73fe12d04846199011224054e504dc9cc72efa3876fbfbb6cac3e74afd7c3958"),
)
"""Origin as in published.py, and the scalar of 32 bytes, big-endian, in hex."""
