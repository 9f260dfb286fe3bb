"""Memory of a process that reads photos: its peak on large files, and whether it stays flat."""

import json
import resource
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from functools import partial
from itertools import count
from pathlib import Path

from bench.rows import Row, Size
from polypward.errors import PhotoRejectedError

__all__ = ["loop", "measure"]

MEGABYTE = 1e6


def _resident_mb() -> float:
    """Memory of this process now (Linux) or at its peak so far (elsewhere), megabytes."""
    status = Path("/proc/self/statm")
    if status.exists():
        pages = int(status.read_text().split()[1])
        return pages * resource.getpagesize() / MEGABYTE
    return _peak_mb()


def _peak_mb() -> float:
    """Most memory this process ever held, megabytes.

    Linux hands the figure of `getrusage` down from the parent through exec, so it is read from
    the process's own status there.
    """
    status = Path("/proc/self/status")
    if status.exists():
        line = next(one for one in status.read_text().splitlines() if one.startswith("VmHWM"))
        return int(line.split()[1]) * 1024 / MEGABYTE
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / MEGABYTE if sys.platform == "darwin" else peak * 1024 / MEGABYTE


def loop(paths: Sequence[str], times: int) -> dict[str, float]:
    """Read `times` photos in this process, these in turn; peak, growth after the first tenth."""
    import cv2

    from polypward.records import PhotoSettings
    from polypward_vision import measure_photo
    from polypward_vision.load import load_photo
    from polypward_vision.tissue import load_base_model

    cv2.setNumThreads(1)
    model = load_base_model()
    settings = PhotoSettings(height_mm=10.0)
    warm = max(len(paths), times // 10)
    after_warm = 0.0
    rejected = 0
    for number in range(times):
        try:
            measure_photo(load_photo(paths[number % len(paths)]), settings=settings, model=model)
        except PhotoRejectedError:
            rejected += 1
        if number + 1 == warm:
            after_warm = _resident_mb()
    return {
        "peak_mb": _peak_mb(),
        "growth_mb": _resident_mb() - after_warm,
        "rejected": float(rejected),
    }


def _apart(paths: Sequence[Path], times: int) -> dict[str, float]:
    """Run `loop` in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "bench.memory", *map(str, paths), str(times)],
        check=True,
        stdout=subprocess.PIPE,
    )
    answer: dict[str, float] = json.loads(done.stdout)
    return answer


def _write(folder: Path, size: Size) -> dict[str, list[Path]]:
    """Write JPEGs of 12 and of 50 MP of each layout, accepted ones, and a HEIC of 48 MP."""
    import pillow_heif
    from PIL import Image

    from bench.shots import held_out
    from bench.speed import read

    files: dict[str, list[Path]] = {"jpeg-12": [], "jpeg-50": [], "heic-48": []}
    for layout in ("frame", "strip"):
        for index in count():
            drawn = partial(held_out, size.seed + 6, index, layout=layout, tilt_deg=5)
            small = drawn(megapixels=12.0)
            if read(small) is None:
                continue
            break
        large = drawn(megapixels=50.0)
        for name, shot in (("jpeg-12", small), ("jpeg-50", large)):
            files[name].append(folder / f"{name}-{layout}.jpg")
            files[name][-1].write_bytes(shot.jpeg)
    path = folder / "heic-48.heic"  # decoding is most of it, so one layout will do
    with Image.open(files["jpeg-50"][0]) as image:
        right, low = image.width - 8000, image.height - 6000
        middle = image.crop((right // 2, low // 2, right // 2 + 8000, low // 2 + 6000))
        # About 5 MB, as phones write them; files of 20 MB are not decoded by libheif.
        pillow_heif.from_pillow(middle).save(path, quality=45)
    files["heic-48"].append(path)
    return files


def measure(size: Size) -> list[Row]:
    """Read the files, each kind in its own process."""
    with tempfile.TemporaryDirectory() as name:
        files = _write(Path(name), size)
        flat = _apart(files["jpeg-12"], size.loops)
        jpeg, heic = _apart(files["jpeg-50"], 4), _apart(files["heic-48"], 2)
    per_thousand = 1000 * flat["growth_mb"] / max(size.loops - size.loops // 10, 1)
    note = "one process, imports and model included"
    return [
        Row(
            what="memory of a worker, 50 MP JPEG",
            reach="<= 350 MB",
            measured=f"{jpeg['peak_mb']:.0f} MB at its peak",
            settings=f"{note}; both layouts, {jpeg['rejected']:.0f} of 4 rejected",
            reached=jpeg["peak_mb"] <= 350,
        ),
        Row(
            what="memory of a worker, 48 MP HEIC",
            reach="<= 750 MB",
            measured=f"{heic['peak_mb']:.0f} MB at its peak",
            settings=f"{note}; {heic['rejected']:.0f} of 2 rejected",
            reached=heic["peak_mb"] <= 750,
        ),
        Row(
            what="memory over many photos",
            reach="flat",
            measured=f"{flat['growth_mb']:+.1f} MB",
            settings=f"12 MP, both layouts, photo {size.loops // 10} to {size.loops}; "
            f"{per_thousand:+.0f} MB per 1000, peak {flat['peak_mb']:.0f} MB",
            reached=flat["growth_mb"] < 8,
        ),
    ]


if __name__ == "__main__":
    print(json.dumps(loop(sys.argv[1:-1], int(sys.argv[-1]))))
