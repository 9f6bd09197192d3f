"""Which question stands at the foot of the live screen, and who takes its answer?"""

from collections.abc import Callable, Sequence

from rich.text import Text
from textual.containers import Horizontal
from textual.widgets import Input

from kerfbeat.present.panel import Panel

__all__ = ["Question"]

Take = Callable[[str], object]


class Question(Horizontal):
    """One line with room for an answer; hidden while nothing is asked.

    choices : what may be answered, where that is too much for the line: shown elsewhere meanwhile.
    """

    DEFAULT_CSS = """
    Question { height: 1; display: none; background: #f0d48a; color: #101010; }
    #question { width: auto; height: 1; }
    #answer { width: 1fr; height: 1; border: none; padding: 0 1; background: #f2efe6; color: #101010; }
    """

    def __init__(self) -> None:
        self._words, self._answer = Panel("question"), Input(id="answer")
        super().__init__(self._words, self._answer, id="ask")
        self._take: Take | None = None
        self.choices = ""

    def ask(self, question: str, take: Take, *, given: str = "") -> None:
        """Open the line for an answer to be handed to `take`; `given` stands there already."""
        self._take = take
        self._words.show(Text(f"  {question} ", style="bold"))
        self._words.styles.width = len(question) + 3
        self.display = True
        self._answer.value = given
        self._answer.focus()

    def ask_choice(self, what: str, choices: Sequence[str], take: Take) -> None:
        """Ask for one of these, by its number or name."""
        listed = ", ".join(f"{number} {name}" for number, name in enumerate(choices, 1))
        if len(listed) < self.app.size.width // 2:
            self.ask(f"{what} ({listed}):", take)
        else:
            self.choices = f"{what}: {listed}"
            self.ask(f"{what}, its number or name:", take)

    def close(self) -> Take | None:
        """Close the line; who would have taken the answer."""
        take, self._take, self.choices = self._take, None, ""
        self.display = False
        self.screen.set_focus(None)
        return take
