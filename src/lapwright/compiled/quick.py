"""Elementary functions for all lanes at once, within two units of the last place of the exact value.

They are written for processors that round a product and a sum once (fused multiply-add). The ways are those of the freely
distributed mathematical library fdlibm (Sun Microsystems, 1993) [from memory], with best approximations of our own, of fewer
branches, and with the fused instruction in place of its split numbers. Zeros keep their sign, infinities and NaN give what
the C standard's annex F says.

Sine, cosine and tangent of arguments above ``LARGE`` are left to the C library, lane by lane.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from lapwright.compiled import polynomials
from lapwright.compiled.words import Writer

LARGE = 2.0**30
"""Up to here sine, cosine and tangent reduce their argument by themselves."""
TINY = 2.0**-27
"""Below this sine, tangent and the like are their argument."""
HALF_PI = (1.5707963267948966, 6.123233995736766e-17, -1.4973849048591833e-33)
"""Pi/2 as a sum of three doubles."""
LOG2_HIGH, LOG2_LOW = 0.6931471803691238, 1.9082149292705877e-10
"""log(2) as a sum; the first has 21 zeros at its end, so that its product with an exponent is exact."""
SHIFT = 1.5 * 2.0**52
"""Added to a number it leaves the nearest whole number in the last bits."""
SHIFT_BITS = 0x4338000000000000
SIGN_BIT = -(2**63)
ONE_BITS = 0x3FF0000000000000
HALF_ROOT_BITS = 0x3FE6A09E667F3BCD
"""Bits of sqrt(1/2)."""


def _sum(write: Writer, a: str, b: str) -> tuple[str, str]:
    """A sum and its error, for abs(a) >= abs(b) (T. J. Dekker 1971)."""
    total = write.add(a, b)
    return total, write.sub(b, write.sub(total, a))


def _difference(write: Writer, a: str, b: str) -> tuple[str, str]:
    """A difference and its error, whichever is larger (D. E. Knuth, The Art of Computer Programming, 4.2.2)."""
    total = write.sub(a, b)
    part = write.sub(total, a)
    rest = write.sub(a, write.sub(total, part))
    return total, write.sub(rest, write.add(b, part))


def _quadrant(write: Writer, x: str) -> tuple[str, str, str]:
    """Number of the nearest multiple of pi/2 (its last bits), and what is left as a sum of two.

    The first product is exact: both x and the multiple are whole multiples of 2**-53 and their difference is below one.
    """
    shifted = write.fma(x, write.constant(2.0 / math.pi), write.constant(SHIFT))
    count = write.sub(shifted, write.constant(SHIFT))
    turned = write.neg(count)
    first = write.fma(turned, write.constant(HALF_PI[0]), x)
    second = write.mul(count, write.constant(HALF_PI[1]))
    error = write.fma(count, write.constant(HALF_PI[1]), write.neg(second))
    high, low = _difference(write, first, second)
    low = write.sub(low, error)
    low = write.fma(turned, write.constant(HALF_PI[2]), low)
    return write.bits_of(shifted), high, low


def _sine_cosine(write: Writer, high: str, low: str) -> tuple[tuple[str, str], tuple[str, str]]:
    """Sine and cosine of a reduced argument, each as a large and a small part."""
    z = write.mul(high, high)
    half = write.mul(z, write.constant(0.5))
    near = write.sub(write.constant(1.0), half)
    error = write.sub(write.sub(write.constant(1.0), near), half)
    cubed = write.mul(z, high)
    sine = write.fma(cubed, write.polynomial(polynomials.SINE, z), write.mul(low, near))
    turned = write.fma(write.neg(high), low, error)
    cosine = write.fma(write.mul(z, z), write.polynomial(polynomials.COSINE, z), turned)
    return (high, sine), (near, cosine)


def _odd(write: Writer, count: str) -> str:
    return write.result(f"trunc {write.lanes.words} {count} to {write.lanes.flags}")


def _flip(write: Writer, value: str, sign: str) -> str:
    """Change the sign of a value where the highest bit of another is set."""
    bit = write.whole("and", sign, SIGN_BIT)
    return write.from_bits(write.whole("xor", write.bits_of(value), bit))


def _tiny(write: Writer, x: str, value: str) -> str:
    """The argument itself where it is tiny, which keeps the sign of zero too."""
    small = write.compare("olt", write.intrinsic("fabs", x), write.constant(TINY))
    return write.select(small, x, value)


def _circular(write: Writer, x: str, ahead: int) -> str:
    count, high, low = _quadrant(write, x)
    if ahead:
        count = write.whole("add", count, ahead)
    sine, cosine = _sine_cosine(write, high, low)
    value = write.select(_odd(write, count), write.add(*cosine), write.add(*sine))
    return _flip(write, value, write.whole("shl", count, 62))


def sine(write: Writer, x: str) -> str:
    """sin(x) up to ``LARGE``."""
    return _tiny(write, x, _circular(write, x, 0))


def cosine(write: Writer, x: str) -> str:
    """cos(x) up to ``LARGE``."""
    return _circular(write, x, 1)


def tangent(write: Writer, x: str) -> str:
    """tan(x) up to ``LARGE``: a quotient of sine and cosine with its remainder."""
    count, high, low = _quadrant(write, x)
    sines, cosines = _sine_cosine(write, high, low)
    sine_, cosine_ = _sum(write, *sines), _sum(write, *cosines)
    odd = _odd(write, count)
    above = [write.select(odd, c, s) for s, c in zip(sine_, cosine_, strict=True)]
    below = [write.select(odd, s, c) for s, c in zip(sine_, cosine_, strict=True)]
    value = _quotient(write, (above[0], above[1]), (below[0], below[1]))[0]
    return _tiny(write, x, _flip(write, value, write.whole("shl", count, 63)))


def _quotient(write: Writer, a: tuple[str, str], b: tuple[str, str]) -> tuple[str, str]:
    """A quotient of sums of two, and what is left of it."""
    turned = write.div(write.constant(1.0), b[0])
    value = write.mul(a[0], turned)
    rest = write.add(write.fma(write.neg(value), b[0], a[0]), a[1])
    rest = write.mul(write.fma(write.neg(value), b[1], rest), turned)
    return _sum(write, value, rest)


def arctangent(write: Writer, x: str) -> str:
    """atan(x) by way of -1/x, (x - 1) / (x + 1) or x itself, whichever is nearest to zero."""
    one, size = write.constant(1.0), write.intrinsic("fabs", x)
    # From here on the result does not change any more, and infinity would spoil the remainder of the quotient.
    size = write.select(write.compare("ogt", size, write.constant(2.0**60)), write.constant(2.0**60), size)
    large = write.compare("ogt", size, write.constant(1.0 + math.sqrt(2.0)))
    middle = write.compare("ogt", size, write.constant(math.sqrt(2.0) - 1.0))
    plus, minus = write.add(size, one), write.sub(size, one)
    plus_error = write.select(
        write.compare("ogt", size, one),
        write.sub(one, write.sub(plus, size)),
        write.sub(size, write.sub(plus, one)),
    )
    minus_error = write.sub(size, write.add(minus, one))

    def choose(far: str, between: str, near: str) -> str:
        return write.select(large, far, write.select(middle, between, near))

    zero = write.constant(0.0)
    above = choose(write.constant(-1.0), minus, size), choose(zero, minus_error, zero)
    below = choose(size, plus, one), choose(zero, plus_error, zero)
    t, rest = _quotient(write, above, below)
    z = write.mul(t, t)
    tail = write.fma(write.mul(z, t), write.polynomial(polynomials.ARCTANGENT, z), rest)
    start = choose(write.constant(HALF_PI[0]), write.constant(HALF_PI[0] / 2.0), zero)
    start_error = choose(write.constant(HALF_PI[1]), write.constant(HALF_PI[1] / 2.0), zero)
    value = write.add(start, write.add(t, write.add(tail, start_error)))
    return write.intrinsic("copysign", value, x)


def _arcs(write: Writer, x: str) -> tuple[str, str, str]:
    """Flags of abs(x) >= 1/2; asin of abs(x), or of sqrt((1 - abs(x)) / 2) where that is nearer to zero: two parts."""
    size = write.intrinsic("fabs", x)
    wide = write.compare("oge", size, write.constant(0.5))
    beyond = write.mul(write.constant(0.5), write.sub(write.constant(1.0), size))
    z = write.select(wide, beyond, write.mul(size, size))
    root = write.select(wide, write.intrinsic("sqrt", beyond), size)
    return wide, root, write.mul(write.mul(z, root), write.polynomial(polynomials.ARCSINE, z))


def arcsine(write: Writer, x: str) -> str:
    """asin(x)."""
    wide, root, tail = _arcs(write, x)
    arc = write.add(root, tail)
    # pi/2 - 2 arc, with pi/2 in two parts; what is small goes together.
    minus_two, quarter = write.constant(-2.0), write.constant(HALF_PI[0])
    rest = write.fma(minus_two, root, quarter)
    error = write.fma(minus_two, root, write.sub(quarter, rest))
    twice = write.add(write.fma(minus_two, tail, write.constant(HALF_PI[1])), error)
    return write.intrinsic("copysign", write.select(wide, write.add(rest, twice), arc), x)


def arccosine(write: Writer, x: str) -> str:
    """acos(x)."""
    wide, root, tail = _arcs(write, x)
    below = write.compare("olt", x, write.constant(0.0))
    arc = write.add(root, tail)
    signed = write.intrinsic("copysign", arc, x), write.intrinsic("copysign", tail, x)
    inner = write.sub(
        write.constant(HALF_PI[0]), write.sub(x, write.sub(write.constant(HALF_PI[1]), signed[1]))
    )
    far = write.fma(write.constant(-2.0), tail, write.constant(2.0 * HALF_PI[1]))
    far = write.add(write.fma(write.constant(-2.0), root, write.constant(2.0 * HALF_PI[0])), far)
    outer = write.select(below, far, write.mul(write.constant(2.0), arc))
    return write.select(wide, outer, inner)


def exponential(write: Writer, x: str) -> str:
    """exp(x)."""
    top, bottom = write.constant(710.0), write.constant(-746.0)
    held = write.select(write.compare("ogt", x, top), top, x)
    held = write.select(write.compare("olt", held, bottom), bottom, held)
    shifted = write.fma(held, write.constant(1.0 / math.log(2.0)), write.constant(SHIFT))
    turned = write.neg(write.sub(shifted, write.constant(SHIFT)))
    high = write.fma(turned, write.constant(LOG2_HIGH), held)
    r = write.fma(turned, write.constant(LOG2_LOW), high)
    tail = write.fma(write.mul(r, r), write.polynomial(polynomials.EXPONENTIAL, r), r)
    value = write.add(write.constant(1.0), tail)
    # Two factors, so that neither leaves the range and a subnormal result is rounded at the end.
    count = write.whole("sub", write.bits_of(shifted), SHIFT_BITS)
    half = write.whole("ashr", count, 1)
    for power in (half, write.whole("sub", count, half)):
        factor = write.whole("add", write.whole("shl", power, 52), ONE_BITS)
        value = write.mul(value, write.from_bits(factor))
    return value


def logarithm(write: Writer, x: str) -> str:
    """log(x): the exponent's share and that of a number between sqrt(1/2) and sqrt(2)."""
    small = write.compare("olt", x, write.constant(2.0**-1022))
    scaled = write.select(small, write.mul(x, write.constant(2.0**54)), x)
    above = write.whole("sub", write.bits_of(scaled), HALF_ROOT_BITS)
    exponent = write.whole("ashr", above, 52)
    between = write.whole("sub", write.bits_of(scaled), write.whole("shl", exponent, 52))
    count = write.sub(write.from_bits(write.whole("add", exponent, SHIFT_BITS)), write.constant(SHIFT))
    count = write.select(small, write.sub(count, write.constant(54.0)), count)
    f = write.sub(write.from_bits(between), write.constant(1.0))
    s = write.div(f, write.add(write.constant(2.0), f))
    z = write.mul(s, s)
    series = write.mul(z, write.polynomial(polynomials.LOGARITHM, z))
    half = write.mul(write.mul(write.constant(0.5), f), f)
    rest = write.fma(s, write.add(half, series), write.mul(count, write.constant(LOG2_LOW)))
    near = write.sub(write.sub(half, rest), f)
    value = write.fma(count, write.constant(LOG2_HIGH), write.neg(near))
    return _ends_of_logarithm(write, x, value)


def _ends_of_logarithm(write: Writer, x: str, value: str) -> str:
    zero, endless = write.constant(0.0), write.constant(math.inf)
    inside = write.both("and", write.compare("ogt", x, zero), write.compare("olt", x, endless))
    outside = write.select(write.compare("ogt", x, zero), x, write.constant(math.nan))
    outside = write.select(write.compare("oeq", x, zero), write.constant(-math.inf), outside)
    return write.select(inside, value, outside)


QUICK: dict[str, Callable[[Writer, str], str]] = {
    "sin": sine,
    "cos": cosine,
    "tan": tangent,
    "asin": arcsine,
    "acos": arccosine,
    "atan": arctangent,
    "exp": exponential,
    "log": logarithm,
}
"""Functions that have a way for all lanes."""
BOUNDED = ("sin", "cos", "tan")
"""Those that are right up to ``LARGE`` only."""
