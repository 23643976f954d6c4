"""Render the sample photographs with their truth.

    python -m sample_images.render NAME [NAME ...] [--to FOLDER]
    python -m sample_images.render all

run from the checkout's root; NAME is one of before, after, trash-pump, pale, tilted, blurred, rule, close-up.
Writes a JPEG (4000 x 3000) and beside it FILE.truth.json: every particle's true size, place and kind, the
true scale, what the bench would tell the tool, and everything the picture was made with.

The scenes are invented. Debris is solid meshes at rest on the paper, path traced under a window or lamp and a
dim surround, so shadow, shine, see-through plastic and light between pieces come out as they must; the card
goes through the print model of the tests; the picture goes through a lens, a sensor and a phone's finishing.
The same name gives the same scene; single pixels may differ between versions of the ray tracer.

Needs the extra `samples` (mitsuba, shapely) and an LLVM library of version 16 or newer for mitsuba's vector
mode (Debian: `apt install libllvm19`). A photo takes some five minutes on one core and 3 GB.
"""

import argparse
import json
import time
from pathlib import Path

from sample_images.develop import save_jpeg
from sample_images.scenarios import PHOTOS
from sample_images.scene import render_scene, write_truth

HERE = Path(__file__).resolve().parent


def render_photo(name: str, folder: Path) -> Path:
    """Render one photograph of scenarios.PHOTOS into `folder`."""
    photo = PHOTOS[name]()
    picture, truth = render_scene(photo.scene, photo.sheet)
    path = folder / f"{photo.name}.jpg"
    save_jpeg(path, picture, photo.scene.phone, photo.taken, photo.story)
    told = {"file": path.name, "story": photo.story, "usable": photo.usable, "command": list(photo.command)}
    write_truth(path, told | truth)
    return path


def main() -> None:
    """Read the command line and render."""
    parser = argparse.ArgumentParser(
        prog="python -m sample_images.render", description="Render sample photographs."
    )
    parser.add_argument("names", nargs="+", choices=[*PHOTOS, "all"], metavar="NAME", help=", ".join(PHOTOS))
    parser.add_argument("--to", type=Path, default=HERE, metavar="FOLDER")
    wanted = parser.parse_args()
    for name in PHOTOS if "all" in wanted.names else wanted.names:
        start = time.monotonic()
        path = render_photo(name, wanted.to)
        count = len(json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))["particles"])
        print(f"{path.name}: {count} particles, {time.monotonic() - start:.0f} s")


if __name__ == "__main__":
    main()
