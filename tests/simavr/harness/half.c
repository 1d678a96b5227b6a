/* See half.h. */
#include "half.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MAX_NODES 512
#define MAX_PARTS 1024
/* For choosing the best of several paths only; levels are worked out in voltage.c. */
#define ROUGH_DROP_OHM 4000.0 /* one diode costs as much voltage as this, at 0.13 mA */
/* Less than this, in ohms, against the supply and a pin cannot hold its line low. */
#define SHORT_OHM 100.0

const char *const PAD_NAMES[PADS] = {
    "PB0", "PB1", "PB2", "PB3", "PB4", "PB5", "PB6", "PB7", "PC6", "PC7", "PD0", "PD1", "PD2",
    "PD3", "PD4", "PD5", "PD6", "PD7", "PE2", "PE6", "PF0", "PF1", "PF4", "PF5", "PF6", "PF7",
};
double line_pf = 200; /* what is assumed for a long line (electrical figures: 200 pF) */

enum kind { WIRE, DIODE, SWITCH };
struct part {
    enum kind kind;
    int a, b;         /* diode: anode, cathode */
    double ohm;
    int conducts;     /* wire whole, switch closed */
    char name[32];    /* of a switch */
};

static char nodes[MAX_NODES][32] = {"GND", "VCC"};
static double node_pf[MAX_NODES]; /* 0: not given */
static int n_nodes = 2;
static struct part parts[MAX_PARTS];
static int n_parts;
static int pad_node[PADS]; /* -1: nothing is joined to it */
static unsigned epoch = 1;
enum { GND, VCC };

int pad_by_name(const char *name) {
    for (int i = 0; i < PADS; i++)
        if (!strcmp(PAD_NAMES[i], name)) return i;
    return -1;
}

static int find_node(const char *name) {
    for (int i = 0; i < n_nodes; i++)
        if (!strcmp(nodes[i], name)) return i;
    return -1;
}

static int node(const char *name) {
    int i = find_node(name);
    if (i >= 0) return i;
    if (n_nodes == MAX_NODES) {
        fprintf(stderr, "too many nodes\n");
        exit(2);
    }
    snprintf(nodes[n_nodes], sizeof nodes[0], "%s", name);
    return n_nodes++;
}

static void add(enum kind kind, const char *a, const char *b, double ohm, const char *name) {
    if (n_parts == MAX_PARTS) {
        fprintf(stderr, "too many parts\n");
        exit(2);
    }
    struct part *p = &parts[n_parts++];
    p->kind = kind;
    p->a = node(a);
    p->b = node(b);
    p->ohm = ohm;
    p->conducts = kind != SWITCH;
    snprintf(p->name, sizeof p->name, "%s", name);
}

int half_load(const char *path) {
    FILE *f = fopen(path, "r");
    char line[256], a[32], b[32], c[32];
    double ohm;
    if (!f) {
        perror(path);
        return -1;
    }
    for (int i = 0; i < PADS; i++) pad_node[i] = -1;
    for (int number = 1; fgets(line, sizeof line, f); number++) {
        char *hash = strchr(line, '#');
        char extra;
        if (hash) *hash = 0;
        if (line[strspn(line, " \t\r\n")] == 0) continue;
        if (sscanf(line, " pin %31s %31s %c", a, b, &extra) == 2 && pad_by_name(a) >= 0) {
            int pad = pad_by_name(a);
            if (pad_node[pad] >= 0) { /* a second node on the same pad: join them */
                add(WIRE, nodes[pad_node[pad]], b, 0, "");
            } else {
                pad_node[pad] = node(b);
            }
        } else if (sscanf(line, " wire %31s %31s %c", a, b, &extra) == 2) {
            add(WIRE, a, b, 0, "");
        } else if (sscanf(line, " resistor %31s %31s %lf %c", a, b, &ohm, &extra) == 3) {
            add(WIRE, a, b, ohm, "");
        } else if (sscanf(line, " diode %31s %31s %c", a, b, &extra) == 2) {
            add(DIODE, a, b, 0, "");
        } else if (sscanf(line, " switch %31s %31s %31s %c", c, a, b, &extra) == 3) {
            add(SWITCH, a, b, 0, c);
        } else if (sscanf(line, " capacitance %31s %lf %c", a, &ohm, &extra) == 2) {
            node_pf[node(a)] = ohm;
        } else {
            fprintf(stderr, "%s:%d: not understood: %s", path, number, line);
            fclose(f);
            return -1;
        }
    }
    fclose(f);
    epoch++;
    return 0;
}

int half_switch(const char *name, int closed) {
    int found = -1;
    for (int i = 0; i < n_parts; i++)
        if (parts[i].kind == SWITCH && !strcmp(parts[i].name, name)) {
            parts[i].conducts = closed;
            found = 0;
        }
    epoch++;
    return found;
}

int half_wire(const char *a, const char *b, int whole) {
    int found = -1, na = find_node(a), nb = find_node(b);
    for (int i = 0; i < n_parts; i++)
        if (parts[i].kind != SWITCH && parts[i].conducts != whole &&
            ((parts[i].a == na && parts[i].b == nb) || (parts[i].a == nb && parts[i].b == na))) {
            parts[i].conducts = whole;
            found = 0;
        }
    if (found < 0 && whole && na >= 0 && nb >= 0) {
        add(WIRE, a, b, 0, "");
        found = 0;
    }
    epoch++;
    return found;
}

unsigned half_epoch(void) { return epoch; }

static double cost(struct path r) { return r.drops < 0 ? 1e12 : r.drops * ROUGH_DROP_OHM + r.ohm; }

/* Which parts are at a node. */
static int *parts_of(int n, int *count) {
    static int at[2 * MAX_PARTS], from[MAX_NODES + 1], built_parts, built_nodes;
    if (built_parts != n_parts || built_nodes != n_nodes) {
        int fill = 0;
        for (int i = 0; i < n_nodes; i++) {
            from[i] = fill;
            for (int k = 0; k < n_parts; k++)
                if (parts[k].a == i || parts[k].b == i) at[fill++] = k;
        }
        from[n_nodes] = fill;
        built_parts = n_parts;
        built_nodes = n_nodes;
    }
    *count = from[n + 1] - from[n];
    return at + from[n];
}

/* Spread from the nodes with drops >= 0 until nothing improves. `upstream`: towards whatever sends
 * current into them (from a cathode to its anode); else downstream. */
static void spread(struct path *r, int upstream) {
    static int queue[MAX_NODES];
    static char waits[MAX_NODES];
    int head = 0, n = 0; /* of the queue: a ring */
    for (int i = 0; i < n_nodes; i++)
        if ((waits[i] = r[i].drops >= 0)) queue[n++] = i;
    while (n) {
        int from = queue[head], count, *at = parts_of(from, &count);
        head = (head + 1) % MAX_NODES;
        n--;
        waits[from] = 0;
        for (int k = 0; k < count; k++) {
            const struct part *p = &parts[at[k]];
            int to = p->a == from ? p->b : p->a;
            struct path next = {r[from].drops + (p->kind == DIODE), r[from].ohm + p->ohm};
            if (!p->conducts || to == GND || to == VCC) continue;
            if (p->kind == DIODE && from != (upstream ? p->b : p->a)) continue;
            if (cost(next) >= cost(r[to])) continue;
            r[to] = next;
            if (!waits[to]) queue[(head + n++) % MAX_NODES] = to;
            waits[to] = 1;
        }
    }
}

void half_paths(uint32_t driven_low, struct path paths[PADS]) {
    static struct path low[MAX_NODES], high[MAX_NODES];
    for (int i = 0; i < n_nodes; i++) low[i].drops = high[i].drops = NO_PATH;
    high[VCC] = (struct path){0, 0};
    low[GND] = (struct path){0, 0};
    spread(high, 0);
    for (int i = 0; i < PADS; i++) {
        int n = pad_node[i];
        paths[i] = (struct path){NO_PATH, 0};
        if (n >= 0 && high[n].drops == 0 && high[n].ohm < SHORT_OHM) paths[i].drops = HELD_UP;
        if (!(driven_low >> i & 1)) continue;
        if (n >= 0 && high[n].drops == 1 && high[n].ohm < SHORT_OHM) paths[i].drops = HELD_UP;
        if (paths[i].drops == HELD_UP) continue;
        paths[i] = (struct path){0, 0};
        if (n >= 0) low[n] = (struct path){0, 0};
    }
    spread(low, 1);
    for (int i = 0; i < PADS; i++)
        if (pad_node[i] >= 0 && paths[i].drops != HELD_UP) paths[i] = low[pad_node[i]];
}

double half_pf(int pad) {
    static struct path net[MAX_NODES];
    double pf = 0;
    if (pad_node[pad] < 0) return PAD_PF;
    for (int i = 0; i < n_nodes; i++) net[i].drops = NO_PATH;
    net[pad_node[pad]] = (struct path){0, 0};
    spread(net, 1);
    for (int i = 0; i < n_nodes; i++)
        if (net[i].drops == 0) pf += node_pf[i];
    for (int i = 0; i < PADS; i++) {
        if (pad_node[i] < 0 || net[pad_node[i]].drops != 0) continue;
        pf += PAD_PF;
        if (node_pf[pad_node[i]] == 0) pf += line_pf;
    }
    return pf;
}
