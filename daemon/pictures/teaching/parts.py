"""The parts of a lesson pack, each made into a pack's folder; what several need is decoded once."""

from __future__ import annotations

import io
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

from PIL import Image

from daemon.pictures.teaching.clean import CLASS_LONG_SIDE, bare, jpeg_bytes, upright
from daemon.pictures.teaching.flow import PaperName
from daemon.pictures.teaching.handouts import assignment_pdf, stop_card_pdf, talk, talk_pdf
from daemon.pictures.teaching.notes import notes_page, notes_text
from daemon.pictures.teaching.pack import Pack
from daemon.pictures.teaching.paper import paper_sheets, print_pair
from daemon.pictures.teaching.quiz import LETTERS, key_pdf, questions, quiz_pdf
from daemon.pictures.teaching.screen import ScreenSheet, draw_screen_sheet, screen_sheets
from daemon.pictures.teaching.shapes import Lesson, LessonFrame, short_caption, value, whole_line
from daemon.pictures.teaching.side_by_side import side_by_side
from daemon.pictures.teaching.still import draw_caption, draw_still
from daemon.pictures.teaching.students import StudentPlan, pocket_pdf, student_pdf
from daemon.pictures.teaching.worksheet import answers_pdf, exercises, starts_of, worksheet_pdf
from daemon.xmp import sidecar
from plans.stops import KINDS, Kind, Scale

_STILL_LONG_SIDE = 3000  # px; a still of 3840 x 2160 shows it 2466 px wide, above its caption
_QUIZ_LONG_SIDE, _PAGE_LONG_SIDE = 1280, 1600
_SCREEN_QUALITY = 92
THREADS = 2
_TOLD_FACTS = (
    *("exposure_s", "f_number", "iso", "focal_length_mm"),
    *("taken", "subsec", "offset", "make", "model"),
)

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Material:
    """What parts are made from beside the pictures. ``camera``: its name on papers; ``paper``: of the class papers."""

    scales: Mapping[Kind, Scale]
    camera: str
    cautions: tuple[str, ...] = ()
    students: tuple[StudentPlan, ...] = ()
    paper: PaperName = "A4"


@dataclass
class Shelf(Mapping[int, Image.Image]):
    """Pictures for a class by number, kept as files and decoded when they are asked for, so that memory stays small."""

    jpegs: dict[int, bytes] = field(default_factory=dict)

    def __getitem__(self, number: int) -> Image.Image:
        with Image.open(io.BytesIO(self.jpegs[number])) as picture:
            return bare(picture.convert("RGB"))

    def __iter__(self) -> Iterator[int]:
        return iter(self.jpegs)

    def __len__(self) -> int:
        return len(self.jpegs)


def make_parts(
    pack: Pack, lesson: Lesson, material: Material, only: Collection[str], progress: Progress = lambda _: None
) -> None:
    """Make the named parts of a lesson into ``pack``.

    Raises
    ------
    OSError
        If a file cannot be written.
    """
    shelf = Shelf()
    needing = {"frames", "stills", "side-by-side", "sheets", "quiz"} & set(only)
    # The decoder, the scaling and the encoder work outside the interpreter's lock.
    with ThreadPoolExecutor(THREADS) as pool:
        frames = lesson.frames if needing else ()
        for frame, made in zip(frames, pool.map(lambda one: _picture(lesson, one, only), frames), strict=True):
            progress(f"picture {frame.number} of {len(frames)}")
            if made.jpeg is not None:
                shelf.jpegs[frame.number] = made.jpeg
            for part, path, data, what in made.files:
                pack.write(part, path, data, what)
    if "side-by-side" in only:
        small = {number: jpeg_bytes(_reduced(shelf[number], _PAGE_LONG_SIDE), 85, False) for number in shelf}
        page = side_by_side(lesson, small)
        pack.write(
            "side-by-side", "side-by-side.html", page.encode(), "any two pictures, wipe, flip, magnify; works offline"
        )
    if "sheets" in only:
        progress("sheets")
        _sheets(pack, lesson, shelf)
    _papers(pack, lesson, material, shelf, only, progress)
    if "notes" in only:
        pack.write("notes", "notes/notes.html", notes_page(lesson).encode(), "figures, names of files, what to look at")
        pack.write("notes", "notes/notes.txt", notes_text(lesson).encode(), "the same as text")


@dataclass(frozen=True)
class _Shown:
    """What came of one picture: files as part, path, bytes and words; and the picture for a class."""

    files: tuple[tuple[str, str, bytes, str], ...]
    jpeg: bytes | None


def _picture(lesson: Lesson, frame: LessonFrame, only: Collection[str]) -> _Shown:
    """The class picture with its sidecar, and the stills: one decoding for all of them."""
    stills = "stills" in only
    picture = upright(frame.source, _STILL_LONG_SIDE if stills else CLASS_LONG_SIDE)
    told = f"{frame.number}: {whole_line(frame.step.settings)}"
    files: list[tuple[str, str, bytes, str]] = []
    for scale, name in ((1, "1920x1080"), (2, "3840x2160")) if stills else ():
        made = jpeg_bytes(draw_still(frame, picture, scale), _SCREEN_QUALITY)
        files.append(("stills", f"stills/{name}/{frame.name}.jpg", made, f"{told}, {name}"))
        out = io.BytesIO()
        draw_caption(frame, scale).save(out, "PNG", compress_level=4)
        files.append(("stills", f"stills/captions-{name}/{frame.name}.png", out.getvalue(), ""))
    if picture is None:
        return _Shown(tuple(files), None)
    picture = _reduced(picture, CLASS_LONG_SIDE)
    jpeg = jpeg_bytes(picture)
    if "frames" in only:
        facts = {key: frame.facts.get(key) for key in _TOLD_FACTS}
        facts |= {"width": picture.width, "height": picture.height}
        words = f"{frame.verdict}. {frame.caption}" if frame.verdict else frame.caption
        text = sidecar(f"{lesson.title}: {frame.number}, {frame.step.goal}", words, "image/jpeg", facts)
        files.append(("frames", f"frames/{frame.name}.jpg", jpeg, f"{told}. {short_caption(frame)}"))
        files.append(("frames", f"frames/{frame.name}.xmp", text.encode(), ""))
    return _Shown(tuple(files), jpeg)


def _sheets(pack: Pack, lesson: Lesson, shelf: Shelf) -> None:
    sheets = [screen_sheets(group) for group in lesson.groups]
    with ThreadPoolExecutor(THREADS) as pool:
        drawn = [made for some in pool.map(_drawn, sheets) for made in some]
        for number, (sheet, made) in enumerate(drawn, 1):
            told = ", ".join(value(sheet.told, frame.step.settings) for frame in sheet.frames)
            pack.write("sheets", f"screen/{number:02d}.jpg", made, f"{sheet.title}: {told}")
    papers: tuple[PaperName, ...] = ("A4", "Letter")
    for paper in papers:
        made = paper_sheets(lesson, shelf, paper)
        pack.write("sheets", f"paper/sheets-{paper}.pdf", made, f"comparison sheets for {paper}, with crop strips")
    for place, group in enumerate((group for group in lesson.groups if len(group.frames) > 1 and not group.faults), 1):
        made = print_pair((group.frames[0], group.frames[-1]), group.title, shelf)
        pack.write("sheets", f"paper/pair-{place}-A3.pdf", made, f"{group.title}: A3 print pair")


def _drawn(sheets: Sequence[ScreenSheet]) -> list[tuple[ScreenSheet, bytes]]:
    """The sheets of one group, drawn. A picture is decoded in full, and kept while a sheet to come shows it again."""
    held: dict[int, Image.Image | None] = {}
    made = []
    for place, sheet in enumerate(sheets):
        for frame in sheet.frames:
            if frame.number not in held:
                held[frame.number] = upright(frame.source)
        drawn = draw_screen_sheet(sheet, [held[frame.number] for frame in sheet.frames])
        made.append((sheet, jpeg_bytes(drawn, _SCREEN_QUALITY)))
        to_come = {frame.number for later in sheets[place + 1 :] for frame in later.frames}
        held = {number: picture for number, picture in held.items() if number in to_come}
    return made


def _papers(
    pack: Pack, lesson: Lesson, material: Material, shelf: Shelf, only: Collection[str], progress: Progress
) -> None:
    paper = material.paper
    if "quiz" in only:
        progress("quiz")
        readable = _readable(lesson, shelf)
        asked = questions(readable)
        pack.write("quiz", "quiz/quiz.pdf", quiz_pdf(lesson, asked, shelf, paper), f"{len(asked)} questions")
        pack.write("quiz", "quiz/answers.pdf", key_pdf(lesson, asked, paper), "answer key")
        for number, one in enumerate(asked, 1):
            for letter, frame in zip(LETTERS, one.frames, strict=False):
                made = jpeg_bytes(_reduced(shelf[frame.number], _QUIZ_LONG_SIDE))
                pack.write("quiz", f"quiz/pictures/{number}-{letter}.jpg", made, f"question {number}, picture {letter}")
    if "worksheet" in only:
        exact = [{kind: getattr(frame.step.settings, kind).exact for kind in KINDS} for frame in lesson.frames]
        found = exercises(material.scales, list(starts_of(exact, material.scales)))
        made = worksheet_pdf(lesson.title, material.camera, found, material.scales, paper)
        pack.write("worksheet", "worksheet/worksheet.pdf", made, f"{len(found)} exchanges on the scale of this camera")
        pack.write("worksheet", "worksheet/answers.pdf", answers_pdf(lesson.title, found, paper), "answers")
    if "students" in only:
        _students(pack, lesson, material.students, paper)
    if "assignment" in only:
        made = assignment_pdf(lesson, material.cautions, paper)
        pack.write("assignment", "assignment.pdf", made, "what to shoot, and a blank log")
    if "stop-card" in only:
        made = stop_card_pdf(material.scales, material.camera)
        pack.write("stop-card", "stop-card.pdf", made, "A6, this camera's marks in stops")
    if "talk" in only:
        pack.write("talk", "talk.pdf", talk_pdf(lesson, paper), "five prompts, and what to listen for")
        text = "\n\n".join(f"{n}. {prompt}\n   {listen}" for n, (prompt, listen) in enumerate(talk(lesson), 1))
        pack.write("talk", "talk.txt", f"{text}\n".encode(), "the same as text")


def _students(pack: Pack, lesson: Lesson, students: Sequence[StudentPlan], paper: PaperName) -> None:
    for number, student in enumerate(students, 1):
        made = student_pdf(lesson, student, paper)
        pack.write(
            "students", f"students/{number:02d}.pdf", made, f"{student.name}: settings of {student.brief.kit.body.name}"
        )
        pack.write("students", f"students/{number:02d}-pocket.pdf", pocket_pdf(student), f"{student.name}: pocket card")


def _readable(lesson: Lesson, shelf: Shelf) -> Lesson:
    """The lesson without the pictures that nobody can look at."""
    groups = []
    for group in lesson.groups:
        frames = tuple(frame for frame in group.frames if frame.number in shelf.jpegs)
        if frames:
            groups.append(type(group)(group.title, group.told, frames, group.notes, group.faults))
    return Lesson(lesson.title, lesson.day, lesson.light, tuple(groups))


def _reduced(picture: Image.Image, long_side: int) -> Image.Image:
    if max(picture.size) <= long_side:
        return picture
    small = picture.copy()
    small.thumbnail((long_side, long_side), Image.Resampling.LANCZOS)
    return small
