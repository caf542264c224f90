/* What the files of kernels share: arrays borrowed for a call, and how loops are compiled. */

#ifndef FIELDCOMB_BORROW_H
#define FIELDCOMB_BORROW_H

#define PY_SSIZE_T_CLEAN
#include <Python.h>
#include <stdint.h>

/* Compiled twice where the loader can choose: for any processor, and for those with wider registers. The sums are the
   same, since neither joins a product and a sum into one rounding. */
#if defined(__GNUC__) && !defined(__clang__) && defined(__x86_64__) && defined(__gnu_linux__)
#define FAST __attribute__((target_clones("avx2", "default")))
#define WIDE __attribute__((target_clones("avx512f", "avx2", "default"))) /* for what takes longest */
#else
#define FAST
#define WIDE
#endif

/* Before a short loop whose rounds are to be done in one register. */
#if defined(__GNUC__)
#define SIDE_BY_SIDE _Pragma("omp simd")
#else
#define SIDE_BY_SIDE
#endif

/* Before a loop that takes hardly longer than to count its rounds. */
#if defined(__GNUC__) && !defined(__clang__)
#define EIGHT_A_ROUND _Pragma("GCC unroll 8")
#else
#define EIGHT_A_ROUND
#endif

/* A C-contiguous array that is borrowed from Python for a call. */
typedef struct {
    Py_buffer view;
    void *data;
    Py_ssize_t size; /* in elements */
} Array;

/* How elements are told apart: by what they are and their bytes. */
enum { FLOAT = 'f', SIGNED = 'i', UNSIGNED = 'u', BOOLEAN = '?' };

/* Borrow count arrays, in the order of args; 0, or -1 with an exception set and nothing borrowed.

   kinds: for each a letter of the above, the bytes of an element as a digit, and w where it is written to or r where
   it is only read, such as "f8r". */
int borrow_all(PyObject *const *args, Py_ssize_t count, const char *const *kinds, Array *arrays);
void give_back(Array *arrays, Py_ssize_t count);

/* Rows and columns that are borrowed: the columns lie side by side, the rows wherever they are. */
typedef struct {
    Py_buffer view;
    char *data;
    Py_ssize_t rows, cols, stride; /* from row to row in bytes */
} Layer;

/* As borrow_all, for layers that must all be of the shape of the first. */
int borrow_layers(PyObject *const *args, Py_ssize_t count, const char *const *kinds, Layer *layers);
void give_back_layers(Layer *layers, Py_ssize_t count);

/* 0, or -1 with ValueError set. */
int check_size(const Array *array, Py_ssize_t size, const char *what);

/* The module of a room, with the methods of each of its files, and what it was compiled from. */
#define MODULE(...)                                                                                      \
    static int add_methods(PyObject *module) {                                                           \
        PyMethodDef *const all[] = {__VA_ARGS__};                                                        \
        for (size_t k = 0; k < sizeof all / sizeof all[0]; k++)                                          \
            if (PyModule_AddFunctions(module, all[k]) < 0) return -1;                                    \
        return PyModule_AddStringConstant(module, "SOURCES", SOURCES);                                   \
    }                                                                                                    \
    static PyModuleDef_Slot slots[] = {{Py_mod_exec, add_methods}, {0, NULL}};                           \
    static PyModuleDef definition = {                                                                    \
        PyModuleDef_HEAD_INIT, .m_name = "_kernels", .m_doc = "Loops in C; see _kernels.pyi.",           \
        .m_slots = slots,                                                                                \
    };                                                                                                   \
    PyMODINIT_FUNC PyInit__kernels(void) { return PyModuleDef_Init(&definition); }

/* An entry of the array of functions that every file of kernels has; it ends with an empty one. */
#define METHOD(NAME) {#NAME, (PyCFunction)(void (*)(void))NAME, METH_FASTCALL, NULL}

#endif
