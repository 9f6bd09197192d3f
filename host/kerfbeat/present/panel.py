"""When is a part of the live screen painted anew?"""

from rich.text import Text
from textual.widget import Widget

__all__ = ["Panel"]


class Panel(Widget):
    """A part of the screen that repaints itself only when its text is another one."""

    def __init__(self, name: str) -> None:
        super().__init__(id=name)
        self._text = Text()

    def show(self, text: Text) -> None:
        """Take the text; nothing happens if it is what stands there."""
        if text != self._text:
            self._text = text
            self.refresh()

    def render(self) -> Text:
        """Give the text to textual."""
        return self._text
