/* Reference for tick lateness: a clock_nanosleep loop on absolute deadlines, timer slack 1 ns.
 * Prints one lateness in microseconds a line. Usage: bench_timing TICKS PERIOD_NS */
#define _GNU_SOURCE
#include <stdio.h>
#include <stdlib.h>
#include <sys/prctl.h>
#include <time.h>

int main(int argc, char **argv)
{
    long ticks = argc > 1 ? atol(argv[1]) : 5000;
    long period = argc > 2 ? atol(argv[2]) : 1000000;
    double *late = malloc(sizeof(double) * (size_t)ticks);
    struct timespec due, now;

    if (late == NULL)
        return 1;
    prctl(PR_SET_TIMERSLACK, 1, 0, 0, 0);
    clock_gettime(CLOCK_MONOTONIC, &due);
    for (long i = 0; i < ticks; i++) {
        due.tv_nsec += period;
        while (due.tv_nsec >= 1000000000L) {
            due.tv_nsec -= 1000000000L;
            due.tv_sec++;
        }
        clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &due, NULL);
        clock_gettime(CLOCK_MONOTONIC, &now);
        late[i] = (double)(now.tv_sec - due.tv_sec) * 1e6 + (double)(now.tv_nsec - due.tv_nsec) * 1e-3;
    }
    for (long i = 0; i < ticks; i++)
        printf("%.1f\n", late[i]);
    free(late);
    return 0;
}
