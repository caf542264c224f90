/* The module itself, and how arrays are borrowed. */

#include "kernels.h"

static char kind_of(const char *format) {
    switch (format == NULL ? 'B' : format[format[0] == '@' || format[0] == '=' ? 1 : 0]) {
    case 'e': case 'f': case 'd': return FLOAT;
    case 'b': case 'h': case 'i': case 'l': case 'q': case 'n': return SIGNED;
    case 'B': case 'H': case 'I': case 'L': case 'Q': case 'N': return UNSIGNED;
    case '?': return BOOLEAN;
    default: return 0;
    }
}

void give_back(Array *arrays, Py_ssize_t count) {
    for (Py_ssize_t k = 0; k < count; k++) PyBuffer_Release(&arrays[k].view);
}

int borrow_all(PyObject *const *args, Py_ssize_t count, const char *const *kinds, Array *arrays) {
    for (Py_ssize_t k = 0; k < count; k++) {
        const int flags = PyBUF_C_CONTIGUOUS | PyBUF_FORMAT | (kinds[k][2] == 'w' ? PyBUF_WRITABLE : 0);
        if (PyObject_GetBuffer(args[k], &arrays[k].view, flags) < 0) {
            give_back(arrays, k);
            return -1;
        }
        const Py_buffer *view = &arrays[k].view;
        if (kind_of(view->format) != kinds[k][0] || view->itemsize != kinds[k][1] - '0') {
            PyErr_Format(PyExc_TypeError, "array %zd is of kind %s, not %s", k, view->format, kinds[k]);
            give_back(arrays, k + 1);
            return -1;
        }
        arrays[k].data = view->buf;
        arrays[k].size = view->len / view->itemsize;
    }
    return 0;
}

int check_size(const Array *array, Py_ssize_t size, const char *what) {
    if (array->size == size) return 0;
    PyErr_Format(PyExc_ValueError, "%s has %zd elements, not %zd", what, array->size, size);
    return -1;
}

static int add_methods(PyObject *module) {
    PyMethodDef *const all[] = {span_methods};
    for (size_t k = 0; k < sizeof all / sizeof all[0]; k++)
        if (PyModule_AddFunctions(module, all[k]) < 0) return -1;
    return PyModule_AddStringConstant(module, "SOURCES", SOURCES);
}

static PyModuleDef_Slot slots[] = {{Py_mod_exec, add_methods}, {0, NULL}};
static PyModuleDef definition = {
    PyModuleDef_HEAD_INIT, .m_name = "_kernels", .m_doc = "Loops in C; see _kernels.pyi.", .m_size = 0,
    .m_slots = slots,
};

PyMODINIT_FUNC PyInit__kernels(void) { return PyModuleDef_Init(&definition); }
