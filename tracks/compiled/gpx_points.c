/* Plain track points of GPX: what the pattern in formats/gpx.py finds, no more and no less. */

#include "borrow.h"
#include <string.h>

enum { MOMENT = 19, MOST_DEGREES = 24, EXACT_DIGITS = 15, EXACT_TENS = 22 };

/* Where something was read up to, which is NULL once it was not what was asked for; and the end of what there is. */
typedef struct {
    const char *at, *end;
} Text;

typedef struct {
    const char *name;
    size_t size;
} Word;

typedef struct {
    Word lon, lat, time; /* time: without the Z */
} Point;

static int is_blank(char c) { return c == ' ' || c == '\t' || c == '\r' || c == '\n'; }
static int is_digit(char c) { return c >= '0' && c <= '9'; }
static int is_initial(char c) { return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || c == '_'; }
static int is_plain(char c) { return c != '&' && c != '<' && c != '>' && ((c >= ' ' && c <= '~') || is_blank(c)); }

static void fail(Text *text) { text->at = NULL; }

static void pass_blanks(Text *text) {
    while (text->at != NULL && text->at < text->end && is_blank(*text->at)) text->at++;
}

static int begins(const Text *text, const char *with, size_t size) {
    return text->at != NULL && (size_t)(text->end - text->at) >= size && memcmp(text->at, with, size) == 0;
}

/* Take these letters, or fail. */
static void take(Text *text, const char *letters, size_t size) {
    if (begins(text, letters, size))
        text->at += size;
    else
        fail(text);
}
#define TAKE(TEXT, LETTERS) take(TEXT, LETTERS, sizeof LETTERS - 1)
#define BEGINS(TEXT, LETTERS) begins(TEXT, LETTERS, sizeof LETTERS - 1)

/* Take as much as possible of letters that are asked for, at most so many. */
#define TAKE_ALL(TEXT, MOST, IS)                                                                        \
    do {                                                                                                \
        const char *stop = (TEXT)->end - (TEXT)->at > (MOST) ? (TEXT)->at + (MOST) : (TEXT)->end;       \
        while ((TEXT)->at < stop) {                                                                     \
            const char c = *(TEXT)->at;                                                                 \
            if (!(IS)) break;                                                                           \
            (TEXT)->at++;                                                                               \
        }                                                                                               \
    } while (0)

/* A name in a tag that was opened; in what is passed over names may have more letters. */
static Word take_name(Text *text, int is_wide) {
    const Word none = {NULL, 0};
    if (text->at == NULL || text->at >= text->end || !is_initial(*text->at)) {
        fail(text);
        return none;
    }
    const char *first = text->at;
    TAKE_ALL(text, text->end - text->at,
             is_initial(c) || is_digit(c) || (is_wide && (c == ':' || c == '.' || c == '-')));
    return (Word){first, (size_t)(text->at - first)};
}

/* The end of an element, and blanks behind it. */
static void take_end(Text *text, Word name) {
    TAKE(text, "</");
    take(text, name.name, name.size);
    TAKE(text, ">");
    pass_blanks(text);
}

static void take_plain(Text *text) {
    if (text->at != NULL) TAKE_ALL(text, text->end - text->at, is_plain(c));
}

/* As leaf in files/plain_points.py: an element without attributes and children; where it is none nothing is taken. */
static int pass_leaf(Text *text, int is_wide) {
    Text here = *text;
    TAKE(&here, "<");
    const Word name = take_name(&here, is_wide);
    if (here.at == NULL || (!is_wide && name.size == 4 && memcmp(name.name, "time", 4) == 0)) return 0;
    TAKE(&here, ">");
    take_plain(&here);
    take_end(&here, name);
    if (here.at == NULL) return 0;
    *text = here;
    return 1;
}

/* An element with leaves in it, and at most one attribute; where it is none nothing is taken. */
static int pass_branch(Text *text) {
    Text here = *text;
    TAKE(&here, "<");
    const Word name = take_name(&here, 1);
    if (here.at == NULL) return 0;
    if (BEGINS(&here, " ")) {
        here.at++;
        take_name(&here, 1);
        TAKE(&here, "=\"");
        if (here.at == NULL) return 0;
        TAKE_ALL(&here, here.end - here.at,
                 is_initial(c) || is_digit(c) || c == ':' || c == '/' || c == '.' || c == '#' || c == '-');
        TAKE(&here, "\"");
    }
    TAKE(&here, ">");
    take_plain(&here);
    while (here.at != NULL && pass_leaf(&here, 1)) continue;
    take_end(&here, name);
    if (here.at == NULL) return 0;
    *text = here;
    return 1;
}

/* As passed_over in files/plain_points.py. */
static void pass_extensions(Text *text) {
    if (!BEGINS(text, "<extensions>")) return;
    TAKE(text, "<extensions>");
    pass_blanks(text);
    while (pass_branch(text)) continue;
    take_end(text, (Word){"extensions", sizeof "extensions" - 1});
}

static Word take_degrees(Text *text, const char *name) {
    const char *before = text->at;
    pass_blanks(text);
    if (text->at == before) fail(text);
    take(text, name, 3);
    TAKE(text, "=\"");
    if (text->at == NULL) return (Word){NULL, 0};
    const char *first = text->at;
    TAKE_ALL(text, MOST_DEGREES, is_digit(c) || c == '.' || c == '-');
    const Word found = {first, (size_t)(text->at - first)};
    if (found.size == 0) fail(text);
    TAKE(text, "\"");
    return found;
}

static Word take_time(Text *text) {
    TAKE(text, "<time>");
    if (text->at == NULL) return (Word){NULL, 0};
    const char *first = text->at;
    TAKE_ALL(text, MOMENT, is_digit(c) || c == 'T' || c == ':' || c == '-');
    if (text->at - first < MOMENT) fail(text);
    if (BEGINS(text, ".")) {
        text->at++;
        const char *digits = text->at;
        TAKE_ALL(text, 9, is_digit(c));
        if (text->at == digits) fail(text);
    }
    const Word found = {first, text->at == NULL ? 0 : (size_t)(text->at - first)};
    TAKE(text, "Z</time>");
    pass_blanks(text);
    return found;
}

/* A point from its tag on, and blanks behind it. */
static Point take_point(Text *text, int lon_first) {
    Point point;
    TAKE(text, "<trkpt");
    if (lon_first) point.lon = take_degrees(text, "lon");
    point.lat = take_degrees(text, "lat");
    if (!lon_first) point.lon = take_degrees(text, "lon");
    pass_blanks(text);
    TAKE(text, ">");
    pass_blanks(text);
    while (pass_leaf(text, 0)) continue;
    point.time = take_time(text);
    while (pass_leaf(text, 0)) continue;
    pass_extensions(text);
    take_end(text, (Word){"trkpt", sizeof "trkpt" - 1});
    return point;
}

static const double TENS[EXACT_TENS + 1] = {1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,  1e8,  1e9,  1e10, 1e11,
                                            1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22};

/* A number as float() reads it: 0, or -1 where it is none. Both parts of a quotient of so few digits are exact, so that
   it is rounded once, to the nearest number there is. */
static int read_number(Word word, double *number) {
    const char *at = word.name, *end = at + word.size;
    const int is_below = at < end && *at == '-';
    uint64_t whole = 0;
    int digits = 0, decimals = 0, points = 0;
    for (at += is_below; at < end; at++) {
        if (is_digit(*at)) {
            whole = 10 * whole + (uint64_t)(*at - '0'); /* of no use, and not used, where there are many digits */
            digits++;
            decimals += points;
        } else if (*at == '.') {
            points++;
        } else {
            return -1;
        }
    }
    if (digits == 0 || points > 1) return -1;
    if (digits <= EXACT_DIGITS) {
        const double above = (double)whole / TENS[decimals];
        *number = is_below ? -above : above;
        return 0;
    }
    char letters[MOST_DEGREES + 1] = {0};
    memcpy(letters, word.name, word.size);
    *number = PyOS_string_to_double(letters, NULL, NULL);
    if (!PyErr_Occurred()) return 0;
    PyErr_Clear();
    return -1;
}

/* gpx_points(text uint8 (n,), lon_first, lon, lat, moments uint8 (m, 19), fractions, spans int64 (m, 4)): finds plain
   points, at most m: their degrees, times as written and the fractions of their seconds, and where in the text each
   begins and ends and its time begins and ends; returns how many, -1 where a number is none */
static PyObject *gpx_points(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    enum { LON, LAT, MOMENTS, FRACTIONS, SPANS, ARRAYS };
    static const char *const given[] = {"u1r"}, *const kinds[] = {"f8w", "f8w", "u1w", "f8w", "i8w"};
    Array from, a[ARRAYS];
    if (count != ARRAYS + 2) return PyErr_Format(PyExc_TypeError, "gpx_points takes %d arguments", ARRAYS + 2);
    const int lon_first = PyObject_IsTrue(args[1]);
    if (lon_first < 0 || borrow_all(args, 1, given, &from) < 0) return NULL;
    if (borrow_all(args + 2, ARRAYS, kinds, a) < 0) {
        give_back(&from, 1);
        return NULL;
    }
    const Py_ssize_t most = a[LON].size;
    int fits = check_size(&a[LAT], most, "lat") == 0 && check_size(&a[MOMENTS], most * MOMENT, "moments") == 0;
    fits = fits && check_size(&a[FRACTIONS], most, "fractions") == 0 && check_size(&a[SPANS], 4 * most, "spans") == 0;
    double *lon = a[LON].data, *lat = a[LAT].data, *fractions = a[FRACTIONS].data;
    const char *first = from.data;
    Text text = {first, first + from.size};
    Py_ssize_t found = 0;
    while (fits && found >= 0 && text.at < text.end) {
        text.at = memchr(text.at, '<', (size_t)(text.end - text.at));
        if (text.at == NULL) break;
        Text here = text;
        const Point point = take_point(&here, lon_first);
        if (here.at == NULL) {
            text.at++;
            continue;
        }
        if (found == most) {
            PyErr_SetString(PyExc_ValueError, "there is no room for so many points");
            fits = 0;
            break;
        }
        const size_t more = point.time.size - MOMENT;
        fractions[found] = 0.0;
        if (read_number(point.lon, &lon[found]) < 0 || read_number(point.lat, &lat[found]) < 0 ||
            (more && read_number((Word){point.time.name + MOMENT, more}, &fractions[found]) < 0)) {
            found = -1;
            break;
        }
        memcpy((char *)a[MOMENTS].data + found * MOMENT, point.time.name, MOMENT);
        int64_t *span = (int64_t *)a[SPANS].data + 4 * found++;
        span[0] = text.at - first;
        span[1] = here.at - first;
        span[2] = point.time.name - first;
        span[3] = span[2] + (int64_t)point.time.size;
        text = here;
    }
    give_back(a, ARRAYS);
    give_back(&from, 1);
    return fits ? PyLong_FromSsize_t(found) : NULL;
}

PyMethodDef point_methods[] = {METHOD(gpx_points), {NULL, NULL, 0, NULL}};
