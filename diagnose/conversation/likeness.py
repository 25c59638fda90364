"""How alike two ways of saying a thing are: by their words, whatever the rider calls a part.

Part of the conversation, below the shorthand. Knows words only: which names a bike has is said by who asks.
Misspelt words and beginnings of words count somewhat less, rare words count more than common ones.
"""

from __future__ import annotations

import difflib
import math
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache

from diagnose.conversation.answers import plain
from diagnose.wording import Wording

BARE = 0.6  # [1] what a small part of a name counts at least
CLOSE = 0.5  # [1] from which a name is meant at all
CLEAR = 0.05  # [1] by how much the best name must lead
SAYS = 0.5  # [1] share of the weight of words that a saying must have in common with what was said
SAYS_CLEARLY = 0.1  # [1] by how much the best saying must lead
ALONE = 0.75  # [1] the same for a single word that only one saying has
MISSPELT, BEGUN = 0.75, 0.9  # [1] what a misspelt or begun word counts (judgement, no source)
SHORTEST = 3  # letters of a word that is begun: 'bat', 'ind'
LONGEST = 400  # letters of a text that are compared


def words_of(text: str, words: Wording) -> tuple[str, ...]:
    """The telling words of a text, each in the form that stands for all that mean the same."""
    return _words(text[:LONGEST], _alike(words), words.words["fillers"]["left_out"])


def _alike(words: Wording) -> tuple[tuple[str, tuple[str, ...]], ...]:
    return tuple(words.words["alike"].items())


@lru_cache(maxsize=4096)
def _words(
    text: str, alike: tuple[tuple[str, tuple[str, ...]], ...], fillers: tuple[str, ...]
) -> tuple[str, ...]:
    pattern, meant = _ways(alike)
    said = " ".join(re.findall(r"[a-z0-9]+", plain(text).replace("'", "").replace("’", "")))
    told = [w for w in pattern.sub(lambda found: meant[found[0]], said).split() if w not in fillers]
    return tuple(
        w[:-1] if len(w) > SHORTEST and w.endswith("s") and not w.endswith("ss") else w for w in told
    )


@lru_cache(maxsize=8)
def _ways(alike: tuple[tuple[str, tuple[str, ...]], ...]) -> tuple[re.Pattern[str], dict[str, str]]:
    """A pattern of all ways of saying, longest first, and the word that each stands for."""
    meant = {way: word for word, ways in alike for way in ways}
    longest = sorted(meant, key=lambda way: (-len(way), way))
    return re.compile(rf"\b(?:{'|'.join(map(re.escape, longest))})\b"), meant


def same_word(mine: str, theirs: str) -> float:
    """[1] how much one word is another: 1 the same, less when begun or misspelt, 0 otherwise."""
    if mine == theirs:
        return 1.0
    if len(mine) >= SHORTEST and theirs.startswith(mine):
        return BEGUN
    if len(mine) <= SHORTEST or mine[0] != theirs[:1]:  # 'right' is not 'light'
        return 0.0
    return MISSPELT if difflib.SequenceMatcher(None, mine, theirs).ratio() >= MISSPELT else 0.0


def names_meant(text: str, names: Mapping[str, Iterable[str]], words: Wording) -> list[str]:
    """Ids whose names come closest to the text: one when it is clear, several when not, best first.

    names   id -> its names, as many as there are
    """
    said = words_of(text, words)
    scored = [
        (max((_as_name(said, words_of(n, words)) for n in ways if n), default=0.0), name)
        for name, ways in names.items()
    ]
    return _leading(scored, CLOSE, CLEAR)


def _as_name(said: Sequence[str], name: Sequence[str]) -> float:
    """[1] how well the words name it: each must be one of the name's; the more of the name, the better."""
    if not said or not name:
        return 0.0
    said = tuple(dict.fromkeys(said))  # 'right indicators flash' names the indicators twice
    same = [max(same_word(word, theirs) for theirs in name) for word in said]
    return min(same) and (BARE + (1.0 - BARE) * min(len(said) / len(name), 1.0)) * sum(same) / len(same)


def sayings_meant(text: str, sayings: Mapping[str, Iterable[str]], words: Wording) -> list[str]:
    """Ids one of whose sayings tells what the text tells: one when it is clear, several when not."""
    said = words_of(text, words)
    known = {name: [words_of(s, words) for s in ways if s] for name, ways in sayings.items()}
    if not said:
        return []
    used = Counter(w for ways in known.values() for w in {w for way in ways for w in way})
    rare = {w: math.log(1.0 + len(known) / n) for w, n in used.items()}
    most = math.log(1.0 + len(known))  # of a word that no saying has: all the more telling
    scored = [
        (max((_in_common(said, way, rare, most) for way in ways), default=0.0), name)
        for name, ways in known.items()
    ]
    if len(set(said)) > 1 or max(scored)[0] >= 1.0:
        return _leading(scored, SAYS, SAYS_CLEARLY)
    # a single word names a thing and not what is wrong with it: whatever speaks of it could be meant
    about = {name for name, ways in known.items() if any(same_word(said[0], w) for way in ways for w in way)}
    found = [(score, name) for score, name in scored if name in about]
    return _leading(found, 0.0, 1.0) if len(found) > 1 else _leading(found, ALONE, 0.0)


def _in_common(said: Sequence[str], way: Sequence[str], rare: Mapping[str, float], most: float) -> float:
    """[1] weight of the words in common over the mean weight of both."""
    common = 0.0
    for word in set(way):
        common += rare[word] * max(same_word(w, word) for w in said)
    mine = 0.0
    for word in set(said):
        nearest = max(way, key=lambda t: same_word(word, t), default="")
        mine += rare[nearest] if nearest and same_word(word, nearest) else rare.get(word, most)
    return 2.0 * common / (mine + sum(rare[w] for w in set(way)))


def _leading(scored: list[tuple[float, str]], floor: float, clear: float) -> list[str]:
    found = sorted((pair for pair in scored if pair[0] >= floor), key=lambda p: (-p[0], p[1]))
    # an exact name is meant whatever is like it
    return [name for score, name in found if score >= found[0][0] - clear and (found[0][0] < 1 or score >= 1)]
