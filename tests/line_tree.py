"""A product line of three members that share keys and rules: one alone, two in a folder, one with variants."""

import tomllib
from pathlib import Path

from workshop import ALL

from imgseal.product.write_toml import write_toml

MEMBERS = {"vent": "vent", "shade": "gate/shade", "pump": "gate/pump"}
VARIANTS = ("north", "south")
SHARED = ("signing", "trust", "channel", "rules", "memory")


def firmware(up: str = "", head: str = "") -> list[str]:
    """The firmware arguments of a member, with the product in front of them, seen from a folder below `up`."""
    return [head + argument.replace("=", f"={up}") for argument in ALL]


def make_line(project: Path) -> Path:
    """Turn the folder of the demo's product into that of a line; its keys and firmware stay where they are."""
    own = tomllib.loads((project / "imgseal.toml").read_text())
    common = {"format": 1, **{key: own.pop(key) for key in SHARED if key in own}}
    (project / "common.toml").write_text(write_toml(common))
    (project / "imgseal.toml").write_text('format = 1\n[line]\nmembers = ["vent", "gate/*"]\n')
    for name, folder in MEMBERS.items():
        member = project / folder
        member.mkdir(parents=True)
        up = "/".join([".."] * len(Path(folder).parts))
        of = {**own, "product": {**own["product"], "name": name, "class": f"{name}-2"}}
        if name == "pump":
            of["variant"] = {"north": {"class": "pump-2-north"}, "south": {"hardware": "4..4"}}
        (member / "imgseal.toml").write_text(
            write_toml({"include": f"{up}/common.toml", **of, "log": {"path": "release.log"}})
        )
    (project / "gate" / "drawings").mkdir()
    return project
