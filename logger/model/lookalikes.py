"""Letters that look alike: two names that a reader cannot tell apart must not be two people.

The letters are those of Unicode Technical Standard 39 (confusables.txt, version 15), Latin and scripts that
people's names are written in beside it, whose prototype is a letter or digit of ASCII. The table stands here
because the only maintained package of it brings 0.9 MB, and no skeleton of a text.
"""

from __future__ import annotations

import unicodedata

# Each word: a prototype, and the letters that look like it.
_LIKE = (
    "2ƧϨꙄꝚ 3ƷȜЗӠⳌꝪꞫ 4Ꮞ 5Ƽ 6бᏮⳒ 8Ȣȣ 9ⳊꝮ AΑАᎪꓮ BΒВᏴꓐꞴ CСᏟⲤꓚ𐐕 DᎠꓓ EΕЕᎬꓰ FϜꓝꞘ GԌᏀᏳꓖ HΗНᎻⲎꓧ JͿЈᎫꓙꞲ KΚКᏦⲔꓗ "
    "LᏞⳐꓡ𐐛 MΜϺМᎷⲘꓟ NΝⲚꓠ OΟОՕⲞꓳ𐐄0 PΡРᏢⲢꓑ RƦᎡᏒꓣ SЅՏᏕᏚꓢ𐐠 TΤТᎢⲦꓔ UՍꓴ VѴᏙꓦ WԜᎳᏔꓪ XΧХⲬꓫꞳ YΥУҮᎩᎽⲨꓬ ZΖᏃꓜ𐋵 "
    "aɑαа bƄЬᏏ cсᴄⲥꮯ𐐽 dԁᏧꓒ eеҽꬲ fքẝꞙꬵ gƍɡցᶃ hһհᏂ iıɩɪιіӏᎥꙇꭵ jϳј lƖǀΙІӀⲒꓲI1 nոռ oοσоօჿᴏᴑⲟꬽ𐐬 pρрⲣ qԛգզ "
    "rгᴦⲅꭇꭈꮁ sƽѕꜱꮪ𐑈 uʋυսᴜꞟꭎꭒ vνѵᴠꮩ wɯѡԝաᴡꮃ xх yɣʏγуүყᶌỿꭚ zᴢꮓ "
)
_SKELETON = str.maketrans({letter: word[0] for word in _LIKE.split() for letter in word[1:]} | {"m": "rn"})


def skeleton(text: str) -> str:
    """What a text looks like: equal for texts that a reader cannot tell apart (UTS 39, section 4).

    >>> skeleton("Gretа Hоlm") == skeleton("Greta Holm"), skeleton("Greta Holm") == skeleton("Greta Halm")
    (True, False)
    """
    plain = unicodedata.normalize("NFD", unicodedata.normalize("NFKC", text))
    return " ".join(plain.translate(_SKELETON).split()).casefold()


def foreign_letters(text: str, other: str) -> str:
    """Which letters make a text differ from one that looks like it, by their Unicode names; empty: none.

    >>> foreign_letters("Gretа Holm", "Greta Holm")
    'а (CYRILLIC SMALL LETTER A)'
    """
    own = set(unicodedata.normalize("NFKC", other).casefold())
    strange = [c for c in unicodedata.normalize("NFKC", text) if c.casefold() not in own and not c.isspace()]
    return ", ".join(f"{c} ({unicodedata.name(c, 'without a name')})" for c in dict.fromkeys(strange))
