/* The keys that straight lines need, one curve after the other: keys.py in compiled code, to the same keys.

   The package works without this module, more slowly. What is computed, and from which papers, stands in keys.py. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>

#include <math.h>
#include <string.h>

/* The longer half of a stretch waits, the shorter one is split at once: so no more halves wait than a count of frames
   has binary digits. */
#define MOST_WAITING (8 * sizeof(Py_ssize_t))

/* Points are looked at in fours, so that a processor need not wait for one maximum before it begins the next. */
#define TOGETHER 4

typedef struct {
    const double *values, *times;
    Py_ssize_t first, last;
    double slope;
} Stretch;

static Stretch stretch_between(const double *values, const double *times, Py_ssize_t first, Py_ssize_t last) {
    Stretch stretch = {values, times, first, last, (values[last] - values[first]) / (times[last] - times[first])};
    return stretch;
}

static inline double distance(const Stretch *stretch, Py_ssize_t place) {
    Py_ssize_t first = stretch->first;
    double along = stretch->times[place] - stretch->times[first];
    return fabs(stretch->values[place] - stretch->values[first] - stretch->slope * along);
}

/* How far the farthest inner point of a stretch is from the line between its ends. */
static double farthest(const Stretch *stretch) {
    double peaks[TOGETHER] = {0.0};
    Py_ssize_t place = stretch->first + 1;
    for (; place + TOGETHER <= stretch->last; place += TOGETHER) {
        for (int each = 0; each < TOGETHER; each++) {
            double size = distance(stretch, place + each);
            peaks[each] = size > peaks[each] ? size : peaks[each];
        }
    }
    for (; place < stretch->last; place++) {
        double size = distance(stretch, place);
        peaks[0] = size > peaks[0] ? size : peaks[0];
    }
    double peak = peaks[0];
    for (int each = 1; each < TOGETHER; each++) {
        peak = peaks[each] > peak ? peaks[each] : peak;
    }
    return peak;
}

static int stays_at_first(const double *values, Py_ssize_t frames, double limit) {
    for (Py_ssize_t place = 1; place < frames; place++) {
        if (fabs(values[place] - values[0]) > limit) {
            return 0;
        }
    }
    return 1;
}

static void mark_keys(const double *values, const double *times, Py_ssize_t frames, double limit, double margin,
                      char *kept) {
    Py_ssize_t waiting[MOST_WAITING][2];
    size_t count = 0;
    memset(kept, 0, (size_t)frames);
    kept[0] = 1;
    if (stays_at_first(values, frames, limit)) {
        return;
    }
    kept[frames - 1] = 1;
    Py_ssize_t first = 0, last = frames - 1;
    for (;;) {
        if (last - first > 1) {
            Stretch stretch = stretch_between(values, times, first, last);
            double peak = farthest(&stretch);
            if (peak > limit) {
                Py_ssize_t split = first + 1;
                /* The end is looked out for because a compiler may round the same formula in two ways. */
                while (split + 1 < last && distance(&stretch, split) < peak - margin) {
                    split++;
                }
                kept[split] = 1;
                int right_is_longer = last - split > split - first;
                waiting[count][0] = right_is_longer ? split : first;
                waiting[count++][1] = right_is_longer ? last : split;
                if (right_is_longer) {
                    last = split;
                } else {
                    first = split;
                }
                continue;
            }
        }
        if (count == 0) {
            return;
        }
        first = waiting[--count][0];
        last = waiting[count][1];
    }
}

static PyObject *straight_line_keys(PyObject *module, PyObject *arguments) {
    Py_buffer curves, times, kept;
    double limit, margin;
    (void)module;
    if (!PyArg_ParseTuple(arguments, "y*y*ddw*:straight_line_keys", &curves, &times, &limit, &margin, &kept)) {
        return NULL;
    }
    Py_ssize_t size = (Py_ssize_t)sizeof(double), frames = times.len / size;
    PyObject *result = NULL;
    if (frames < 1 || times.len % size || curves.len % times.len || kept.len != curves.len / size) {
        PyErr_SetString(PyExc_ValueError, "curves, times and keys do not fit each other");
    } else {
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t start = 0; start < kept.len; start += frames) {
            mark_keys((const double *)curves.buf + start, times.buf, frames, limit, margin, (char *)kept.buf + start);
        }
        Py_END_ALLOW_THREADS
        result = Py_NewRef(Py_None);
    }
    PyBuffer_Release(&curves);
    PyBuffer_Release(&times);
    PyBuffer_Release(&kept);
    return result;
}

PyDoc_STRVAR(straight_line_keys_doc,
             "straight_line_keys(curves, times, limit, margin, kept, /)\n--\n\n"
             "Mark the keys that straight lines need, without holding the interpreter's lock.\n\n"
             "Takes curves (C, F) and times (F,) as float64, each in one piece, and writes to kept (C, F), one byte each.");

static PyMethodDef METHODS[] = {
    {"straight_line_keys", straight_line_keys, METH_VARARGS, straight_line_keys_doc},
    {NULL, NULL, 0, NULL},
};

static PyModuleDef_Slot SLOTS[] = {{0, NULL}};

static struct PyModuleDef MODULE = {
    .m_base = PyModuleDef_HEAD_INIT,
    .m_name = "audit.measures._keys",
    .m_doc = "The keys that straight lines need.",
    .m_methods = METHODS,
    .m_slots = SLOTS,
};

PyMODINIT_FUNC PyInit__keys(void) { return PyModuleDef_Init(&MODULE); }
