/* Plain decimal numbers out of the rows of a BVH file, as fast as one pass over the bytes can be.

   This module is an extra pair of hands: what it takes, it gives to the last bit, and what is not plain it leaves to
   the readers in _rows.py, which also tell what is wrong. The package works without it, more slowly. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>

#include <float.h>
#include <math.h>
#include <stdint.h>
#include <string.h>

/* A product or quotient of two exact doubles is rounded once, and so correctly, only where the machine computes with
   doubles and not with something wider. Where it does not, the module is not built. */
#if !defined(FLT_EVAL_METHOD) || FLT_EVAL_METHOD != 0
#error "double arithmetic is not done in doubles here"
#endif

/* Every power of ten that a double holds exactly. */
static const double POWERS[] = {1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,  1e8,  1e9,  1e10, 1e11,
                                1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22};
#define LARGEST_POWER 22
#define LARGEST_EXACT (UINT64_C(1) << 53)
/* So many digits fit into 64 bits whatever they are; leading zeros count as well, as nobody writes so many. */
#define MOST_DIGITS 19
#define MOST_EXPONENT_DIGITS 4
static const double SIGNS[] = {1.0, -1.0};

typedef const unsigned char *Place;

static inline int is_digit(unsigned char byte) { return (unsigned char)(byte - '0') <= 9; }

static inline int is_white(unsigned char byte) {
    return byte == ' ' || byte == '\n' || byte == '\t' || byte == '\r';
}

/* Take digits onto a whole number, and return the place behind the last. */
static inline Place take_digits(Place at, Place end, uint64_t *whole) {
    for (; at < end && is_digit(*at); at++) {
        *whole = 10 * *whole + (uint64_t)(*at - '0');
    }
    return at;
}

/* Read the word that begins at a place, and return the place behind it; NULL where it is not a plain number.

   Plain are at most 19 digits, a point among them or not, whose whole number and whose power of ten are both exact
   as doubles: then one multiplication or division gives the double nearest to the decimal (W. D. Clinger, "How to
   read floating point numbers accurately", Programming Language Design and Implementation, 1990). */
static inline Place take_number(Place at, Place end, double *number) {
    /* No branches on the sign: half of the numbers have one, and nobody can foresee which. */
    int minus = *at == '-';
    at += minus | (*at == '+');
    uint64_t whole = 0;
    Place first = at;
    at = take_digits(at, end, &whole);
    Py_ssize_t digits = at - first, exponent = 0;
    if (at < end && *at == '.') {
        Place behind = at + 1;
        at = take_digits(behind, end, &whole);
        exponent = behind - at;
        digits -= exponent;
    }
    if (digits == 0 || digits > MOST_DIGITS || whole > LARGEST_EXACT) {
        return NULL;
    }
    if (at < end && (*at | 0x20) == 'e') {
        at++;
        int down = at < end && *at == '-';
        if (at < end && (*at == '-' || *at == '+')) {
            at++;
        }
        uint64_t power = 0;
        Place behind = take_digits(at, end, &power);
        if (behind == at || behind - at > MOST_EXPONENT_DIGITS) {
            return NULL;
        }
        at = behind;
        exponent += down ? -(Py_ssize_t)power : (Py_ssize_t)power;
    }
    if ((at < end && !is_white(*at)) || exponent < -LARGEST_POWER || exponent > LARGEST_POWER) {
        return NULL;
    }
    double size = (double)whole;
    size = exponent < 0 ? size / POWERS[-exponent] : size * POWERS[exponent];
    *number = copysign(size, SIGNS[minus]);
    return at;
}

#if defined(__GNUC__) && defined(__BYTE_ORDER__) && __BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__

/* A number such as -12.345678, which nearly all in a shot are: one to four digits, a point, one to seven digits, white
   space. NULL where it is none, plain or not.

   No processor can foresee where the digits of the next number end, and a loop over them stumbles there. So bytes are
   looked at eight at a time; and where the number ends is found first and by itself, so that the next one can be begun
   while this one is still being worked out. */
#define BYTES_LOOKED_AT 16
#define EACH(byte) (UINT64_C(0x0101010101010101) * (byte))
#define TOP_BITS EACH(0x80)

static inline uint64_t load(Place at) {
    uint64_t bytes;
    memcpy(&bytes, at, sizeof bytes);
    return bytes;
}

/* Top bits of the bytes that are white space, or control characters, which the caller refuses when it gets there. */
static inline uint64_t whites_in(uint64_t bytes) { return ~(((bytes & ~TOP_BITS) + EACH(0x7f - ' ')) | bytes) & TOP_BITS; }

/* The lowest bit set is the top bit of the first byte that is a point. */
static inline uint64_t point_in(uint64_t bytes) {
    bytes ^= EACH('.');
    return (bytes - EACH(1)) & ~bytes & TOP_BITS;
}

/* Place of the first byte whose top bit is set. */
static inline unsigned first_of(uint64_t top_bits) { return (unsigned)__builtin_ctzll(top_bits) / 8; }

static inline Place take_usual(Place at, double *number) {
    static const uint32_t TENS[] = {1, 10, 100, 1000, 10000, 100000, 1000000, 10000000};
    uint64_t head = load(at), head_ends = whites_in(head), tail_ends = whites_in(load(at + 8));
    uint64_t points = point_in(head);
    if (!tail_ends || !points) {
        return NULL;
    }
    unsigned in_head = first_of(head_ends | UINT64_C(1) << 63), in_tail = 8 + first_of(tail_ends);
    Place end = at + (head_ends ? in_head : in_tail);
    unsigned minus = *at == '-', point = first_of(points), before = point - minus;
    unsigned behind = (unsigned)(end - at) - point - 1;
    if (before - 1 > 3 || behind - 1 > 6) {
        return NULL;
    }
    /* The digits to the end of the word, zeros before them; then as pairs, fours and all eight. */
    uint32_t high = (uint32_t)(head >> 8 * minus ^ EACH('0')) << (32 - 8 * before);
    uint64_t low = (load(at + point + 1) ^ EACH('0')) << (64 - 8 * behind);
    if ((((low + EACH(0x7f - 9)) | low) & TOP_BITS) | (((high + 0x76767676u) | high) & 0x80808080u)) {
        return NULL;
    }
    high = (high * 10 + (high >> 8)) & 0x00ff00ff;
    high = (high * 100 + (high >> 16)) & 0xffff;
    low = (low * 10 + (low >> 8)) & UINT64_C(0x00ff00ff00ff00ff);
    low = (low * 100 + (low >> 16)) & UINT64_C(0x0000ffff0000ffff);
    low = (low * 10000 + (low >> 32)) & UINT64_C(0xffffffff);
    double size = (double)(int64_t)((uint64_t)high * TENS[behind] + low) / POWERS[behind];
    *number = minus ? -size : size;
    return end;
}

#else

#define BYTES_LOOKED_AT PY_SSIZE_T_MAX
static inline Place take_usual(Place at, double *number) { return (void)at, (void)number, (Place)0; }

#endif

/* What is known when a stretch has been read: how many numbers and how many line ends it holds. */
typedef struct {
    Py_ssize_t numbers, lines;
    int plain;
} Counts;

static Counts take_all(Place at, Place end, double *values, Py_ssize_t room, int64_t *line_ends, Py_ssize_t lines) {
    Counts counts = {0, 0, 0};
    while (at < end) {
        if (*at == ' ' || *at == '\t') {
            at++;
        } else if (*at == '\n' || *at == '\r') {
            if (counts.lines == lines) {
                return counts;
            }
            line_ends[counts.lines++] = counts.numbers;
            at++;
        } else {
            if (counts.numbers == room) {
                return counts;
            }
            double *number = values + counts.numbers++;
            Place behind = end - at >= BYTES_LOOKED_AT ? take_usual(at, number) : NULL;
            if (!behind) {
                behind = take_number(at, end, number);
            }
            if (!behind) {
                return counts;
            }
            at = behind;
        }
    }
    counts.plain = 1;
    return counts;
}

static PyObject *plain_numbers(PyObject *module, PyObject *arguments) {
    Py_buffer text, values, line_ends;
    Py_ssize_t start, end;
    (void)module;
    if (!PyArg_ParseTuple(arguments, "y*nnw*w*:plain_numbers", &text, &start, &end, &values, &line_ends)) {
        return NULL;
    }
    PyObject *result = NULL;
    if (start < 0 || start > end || end > text.len) {
        PyErr_SetString(PyExc_ValueError, "start and end do not lie in the text");
    } else {
        Counts counts;
        Place first = text.buf;
        Py_BEGIN_ALLOW_THREADS
        counts = take_all(first + start, first + end, values.buf, values.len / (Py_ssize_t)sizeof(double),
                          line_ends.buf, line_ends.len / (Py_ssize_t)sizeof(int64_t));
        Py_END_ALLOW_THREADS
        result = counts.plain ? Py_BuildValue("nn", counts.numbers, counts.lines) : Py_NewRef(Py_None);
    }
    PyBuffer_Release(&text);
    PyBuffer_Release(&values);
    PyBuffer_Release(&line_ends);
    return result;
}

PyDoc_STRVAR(plain_numbers_doc,
             "plain_numbers(text, start, end, values, line_ends, /)\n--\n\n"
             "Read plain decimal numbers between white space, without holding the interpreter's lock.\n\n"
             "Takes bytes, where to start and to end, and two buffers to write to: float64 for the numbers, int64 for\n"
             "how many of them stand before each line feed and each carriage return. Returns how many it wrote to\n"
             "each; None where a word is not plain or a buffer is too small, and then the buffers hold nothing of use.");

static PyMethodDef METHODS[] = {
    {"plain_numbers", plain_numbers, METH_VARARGS, plain_numbers_doc},
    {NULL, NULL, 0, NULL},
};

static PyModuleDef_Slot SLOTS[] = {{0, NULL}};

static struct PyModuleDef MODULE = {
    .m_base = PyModuleDef_HEAD_INIT,
    .m_name = "audit.formats.bvh._plain",
    .m_doc = "Plain decimal numbers out of the rows of a BVH file.",
    .m_methods = METHODS,
    .m_slots = SLOTS,
};

PyMODINIT_FUNC PyInit__plain(void) { return PyModuleDef_Init(&MODULE); }
