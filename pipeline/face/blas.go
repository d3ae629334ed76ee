package face

// #include <stddef.h>
// extern void openblas_set_num_threads(int) __attribute__((weak));
// static void one_thread(void) {
// 	if (openblas_set_num_threads != NULL) openblas_set_num_threads(1);
// }
import "C"

// One thread for each matrix product: the work is spread over Finders and over
// the search beside, and threads that wait for each other inside BLAS only
// take the cores away from them. Where BLAS is not OpenBLAS, nothing is done.
func init() { C.one_thread() }
