"""Make the README's pictures from the card and the sample photos.

    python -m sample_images.guide

run from the checkout's root. Writes sample_images/guide/, and for the page on taking the photo its pictures
and what the tool said of each. Needs nothing beyond the tool itself. What goes wrong is imitated on the
rendered sample photos, except for blur, tilt and pale debris, which were rendered.
"""

import tempfile
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from calibration.draw import card_pdf
from triage import analyse
from triage.report import Outputs, write_report
from triage.report.labels import font

HERE = Path(__file__).resolve().parent
GUIDE = HERE / "guide"
PAGE = HERE.parent / "triage" / "docs" / "taking_the_photo.md"
GOOD = HERE / "pressure_washer_PW-07_before.jpg"
BLURRED = HERE / "generator_GN-05_blurred.jpg"
TILTED = HERE / "plate_compactor_PC-02_tilted.jpg"
PALE_ON_DARK = HERE / "generator_GN-12_pale_debris.jpg"
TILE = (480, 360)
MARGIN, LINE = 10, 40
QUALITY = 82

Picture = NDArray[np.uint8]


def opened(path: Path, size: tuple[int, int] = TILE) -> Picture:
    """Return a photo shrunk to `size`."""
    with Image.open(path) as image:
        return np.asarray(image.convert("RGB").resize(size, Image.Resampling.LANCZOS))


def labelled(picture: Picture, text: str) -> Image.Image:
    """Return a picture with a line of text under it."""
    height, width = picture.shape[:2]
    whole = Image.new("RGB", (width, height + LINE), "white")
    whole.paste(Image.fromarray(picture))
    ImageDraw.Draw(whole).text((4, height + 8), text, font=font(18), fill=(18, 22, 26))
    return whole


def sheet(tiles: list[Image.Image], columns: int) -> Image.Image:
    """Return tiles of one size laid out in rows."""
    width, height = tiles[0].width + MARGIN, tiles[0].height + MARGIN
    rows = -(-len(tiles) // columns)
    whole = Image.new("RGB", (columns * width - MARGIN, rows * height - MARGIN), "white")
    for index, tile in enumerate(tiles):
        whole.paste(tile, (index % columns * width, index // columns * height))
    return whole


def from_afar(photo: Picture) -> Picture:
    """Imitate a photo from too far: the card small on a bench."""
    height, width = photo.shape[:2]
    bench = np.full_like(photo, (120, 104, 88))
    small = cv2.resize(photo, (width * 2 // 5, height * 2 // 5), interpolation=cv2.INTER_AREA)
    top, left = (height - small.shape[0]) // 2, (width - small.shape[1]) // 2
    bench[top : top + small.shape[0], left : left + small.shape[1]] = small
    return bench


def cut_off(photo: Picture) -> Picture:
    """Imitate a photo that leaves out one side of the window and two corner squares."""
    height, width = photo.shape[:2]
    part = photo[: height * 7 // 10, : width * 7 // 10]
    return np.asarray(cv2.resize(part, (width, height), interpolation=cv2.INTER_CUBIC))


def shining(photo: Picture) -> Picture:
    """Imitate the reflection of a flash."""
    height, width = photo.shape[:2]
    y, x = np.mgrid[:height, :width]
    across, down = (x / width - 0.55) / 0.146, (y / height - 0.5) / 0.167
    light = 380 * np.exp(-(across**2 + down**2))
    return np.clip(photo + light[..., None], 0, 255).astype(np.uint8)


def in_shadow(photo: Picture) -> Picture:
    """Imitate the shadow of a hand over one side."""
    height, width = photo.shape[:2]
    lit = np.ones((height, width), np.float32)
    outline = np.array([[0, 0.25], [0.45, 0.3], [0.6, 0.5], [0.45, 0.72], [0, 0.85]]) * (width, height)
    cv2.fillPoly(lit, [outline.astype(np.int32)], 0.3)
    return (photo * cv2.GaussianBlur(lit, (0, 0), width / 40)[..., None]).astype(np.uint8)


def heaped(photo: Picture) -> Picture:
    """Imitate too much debris: lumps that lie on each other."""
    rng = np.random.default_rng(5)
    picture = photo.copy()
    height, width = picture.shape[:2]
    for _ in range(700):
        centre = rng.normal((0.5 * width, 0.5 * height), (0.13 * width, 0.12 * height)).astype(int)
        axes = rng.integers(2, 9, 2) * width // TILE[0]
        colour = np.array((88, 58, 40)) * rng.uniform(0.5, 1.3)
        cv2.ellipse(
            picture, centre, axes, float(rng.uniform(0, 180)), 0, 360, colour.tolist(), -1, cv2.LINE_AA
        )
    return picture


def untouched(photo: Picture) -> Picture:
    """Leave the photo as it is."""
    return photo


WRONG: tuple[tuple[Path, Callable[[Picture], Picture], str], ...] = (
    (BLURRED, untouched, "blurred: tap to focus, hold still"),
    (GOOD, from_afar, "too far: fill the picture with the frame"),
    (GOOD, cut_off, "window cut off: all four corners in"),
    (GOOD, shining, "glare: no flash, lamp to the side"),
    (GOOD, in_shadow, "shadow of hand or phone: turn the card"),
    (GOOD, heaped, "too much: mix, quarter, spread"),
)


# File name, photo, what is done to it, title: as the page on taking the photo shows them.
SHOWN: tuple[tuple[str, Path, Callable[[Picture], Picture], str], ...] = (
    ("good", GOOD, untouched, "As it should be"),
    ("tilted", TILTED, untouched, "Tilted, but sharp all over"),
    ("dark", PALE_ON_DARK, untouched, "Pale debris on the dark frame"),
    ("blurred", BLURRED, untouched, "Out of focus, or shaken"),
    ("too_far", GOOD, from_afar, "From too far"),
    ("cut_off", GOOD, cut_off, "A side of the window left out"),
    ("glare", GOOD, shining, "The flash shines back"),
    ("shadow", GOOD, in_shadow, "The shadow of a hand"),
    ("heaped", GOOD, heaped, "Too much debris"),
)


def pages(pdf: Path, numbers: tuple[int, ...], scale: float) -> list[Image.Image]:
    """Return pages of a PDF as pictures, framed by a hairline."""
    document = pypdfium2.PdfDocument(pdf)
    pictures = [document[number].render(scale=scale).to_pil().convert("RGB") for number in numbers]
    for picture in pictures:
        frame = (0, 0, picture.width - 1, picture.height - 1)
        ImageDraw.Draw(picture).rectangle(frame, outline=(190, 190, 190))
    return pictures


def make_card(folder: Path) -> None:
    """Picture the sheets most used: wide, close-up and micro, cut-out."""
    pdf = folder / "card.pdf"
    card_pdf(pdf, paper="a4", number=0)
    sheet(pages(pdf, (0, 2, 4), 0.72), 3).save(GUIDE / "card.png", optimize=True)


def make_report(folder: Path) -> None:
    """Picture the report of the good photo, and its annotated photo."""
    analysis = analyse([GOOD])
    outputs = Outputs(pdf=folder / "report.pdf", overlay=folder / "overlay.png")
    write_report(analysis, outputs)
    sheet(pages(folder / "report.pdf", (0, 1), 1.1), 2).save(GUIDE / "report.jpg", quality=QUALITY)
    with Image.open(folder / "overlay.png") as overlay:
        size = (1000, overlay.height * 1000 // overlay.width)
        small = overlay.convert("RGB").resize(size, Image.Resampling.LANCZOS)
    small.save(GUIDE / "outlined.jpg", quality=QUALITY)


def make_page(folder: Path) -> None:
    """Write the pictures of the page on taking the photo, and into it what the tool says of each."""
    rows = [
        f"| ![{title}](pictures/{name}.jpg) | **{title}.** {said_of(path, spoil, folder)} |"
        for name, path, spoil, title in SHOWN
    ]
    (PAGE.parent / "pictures").mkdir(exist_ok=True)
    for name, path, spoil, _ in SHOWN:
        picture = Image.fromarray(spoil(opened(path)))
        picture.save(PAGE.parent / "pictures" / f"{name}.jpg", quality=QUALITY)
    before, _, rest = PAGE.read_text(encoding="utf-8").partition("| --- | --- |\n")
    after = rest.partition("\n\n")[2]
    PAGE.write_text(before + "| --- | --- |\n" + "\n".join(rows) + "\n\n" + after, encoding="utf-8")


def said_of(path: Path, spoil: Callable[[Picture], Picture], folder: Path) -> str:
    """Return what the tool says of a full-size photo after something was done to it."""
    photo = folder / "photo.jpg"
    with Image.open(path) as image:
        Image.fromarray(spoil(np.asarray(image.convert("RGB")))).save(photo, quality=92)
    found = analyse([photo]).photos[0]
    told = " ".join(f"“{problem.message} {problem.remedy}”" for problem in found.problems)
    if not found.usable:
        return f"Refused: {told}"
    limit = found.limits.smallest_sized_um if found.limits else float("nan")
    measured = f"Measured, from {limit:.0f} µm ({limit / 25400:.4f} in) up."
    return f"{measured} {told}".strip()


def main() -> None:
    """Make every picture of the guide."""
    GUIDE.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        make_card(Path(folder))
        make_report(Path(folder))
        make_page(Path(folder))
    Image.fromarray(opened(GOOD, (1000, 750))).save(GUIDE / "good_photo.jpg", quality=QUALITY)
    tiles = [labelled(spoil(opened(path)), text) for path, spoil, text in WRONG]
    sheet(tiles, 3).save(GUIDE / "what_goes_wrong.jpg", quality=QUALITY)


if __name__ == "__main__":
    main()
