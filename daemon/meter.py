"""The metering frame of a run: take it until it can be believed, then hold, re-target or ask."""

from __future__ import annotations

from daemon.context import RunContext
from daemon.control_frames import control_frame
from daemon.errors import PlanUnreachable, RunPaused
from daemon.logbook import FrameRow, StepRow
from daemon.metering import Search
from daemon.pictures.reading import Reading
from daemon.readings import Reader
from daemon.retarget import LONGEST_METERING, burnt_out, conclude, intent_of, next_settings, on_brightest
from plans.kit import Kit
from plans.plan import ControlStep, LightBasis, Plan, Settings

RETARGET, AS_PLANNED, STOP = "re-target the plan to the light as it is", "shoot as planned", "stop here"
GO_ON = "go on with the goals that can be reached"


class Meter:
    """Does the metering step of a run."""

    def __init__(self, context: RunContext, reader: Reader):
        self._context, self._reader = context, reader

    def do(self, row: StepRow, step: ControlStep) -> None:
        """Meter, decide, and give the step its outcome.

        Raises
        ------
        RunPaused
            If the operator stops, or nobody is there to answer.
        PlanUnreachable
            If the light as metered puts goals out of reach and nobody says to go on.
        """
        from plans.rehearsal import summary

        context = self._context
        plan = context.plan(row.revision)
        context.tell("step-started", step.text, step=step.id)
        facts: list[tuple[Kit, float]] = []
        settings, reading = self._converge(row, step, facts)
        kit, intent = facts[0]
        metered = conclude(plan, step, settings, reading, kit, intent)
        part = " on the brightest part" if on_brightest(intent) else ""
        text = f"The light{part} is EV {metered.ev100:.1f}, {metered.error:+.2f} stop against the plan"
        if white := burnt_out(reading, intent):
            text += f"; by that much brighter than metered, the brightest part comes out white ({white:.1f} stop over)"
        context.tell("light-metered", text, ev100=metered.ev100, error=metered.error, decision=metered.decision)
        answer = AS_PLANNED if metered.decision == "hold" else RETARGET
        if metered.decision == "ask":
            answer = self._ask(metered.error)
        if answer == AS_PLANNED:
            context.logbook.set_outcome(row.id, "kept", text)
        else:
            newer = self._plan_for(plan, LightBasis(ev100=metered.ev100, origin="metered"))
            context.adopt_plan(newer, f"re-targeted to EV {metered.ev100:.2f} as metered", (row.id, text))
            text = f"The plan was compiled again for EV {metered.ev100:.1f}:"
            context.tell("retargeted", text, ev100=metered.ev100, summary=summary(newer))

    def _converge(self, row: StepRow, step: ControlStep, facts: list[tuple[Kit, float]]) -> tuple[Settings, Reading]:
        """The settings and the reading to go by; ``facts``: kit and intent, found out while the shutter is open."""
        settings, search = step.settings, Search()
        following = self._context.following_control(row)

        def look_up() -> None:
            if not facts:
                facts.append((self._context.kit(row.revision), intent_of(self._context.plan(row.revision))))

        self._context.later(look_up)
        self._context.later(lambda: self._reader.tone)
        for _ in range(LONGEST_METERING):

            def read(frame: FrameRow, at: Settings = settings) -> Reading:
                return self._reader.level(frame, at)

            reading = control_frame(
                self._context, row, step, settings, read, "metering frame", following, self._reader.ahead
            )
            if reading is None:
                break
            look_up()
            further = next_settings(search, settings, reading, self._context.taker().scales, *facts[0])
            if further is None:
                return settings, reading
            settings = further
        raise RunPaused(
            f"The light could not be metered in {LONGEST_METERING} frames: it changes too fast, or the camera's "
            "pictures cannot be read. "
            "Nothing is lost"
        )

    def _ask(self, error: float) -> str:
        side = "brighter" if error > 0 else "darker"
        question = (
            f"The light is {abs(error):.1f} stops {side} than the brief says. A filter left on the lens, another hour, "
            "or a wrong guess? What now?"
        )
        with self._context.asking(question) as operator:
            answer = operator.choose(question, [RETARGET, AS_PLANNED, STOP])
        if answer == STOP:
            raise RunPaused("Stopped at the metering frame. Nothing is lost")
        return answer

    def _plan_for(self, plan: Plan, light: LightBasis) -> Plan:
        from plans.compiler import recompile

        newer = recompile(plan, light, self._context.hands().rig(metered=True))
        before = {item.goal for item in plan.unreachable}
        lost = [item for item in newer.unreachable if item.goal not in before]
        if not newer.exposing:
            raise PlanUnreachable(list(newer.unreachable))
        if lost and not self._context.manners.reachable:
            error = PlanUnreachable(lost)
            if self._context.operator is None:
                raise error
            question = f"In the light as it is:\n{error}\nWhat now?"
            with self._context.asking(question) as operator:
                if operator.choose(question, [GO_ON, STOP]) == STOP:
                    raise error
        return newer
