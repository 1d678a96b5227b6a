/* See half.h. */
#include "half.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MAX_NODES 512
#define MAX_PARTS 1024
#define DIODE_MV 510
#define PULL_UP_OHM 35000.0
#define NOTHING 1e9
/* Less than this, in ohms, against the supply and a pin cannot hold its line low. */
#define SHORT_OHM 100.0

const char *const PAD_NAMES[PADS] = {
    "PB0", "PB1", "PB2", "PB3", "PB4", "PB5", "PB6", "PB7", "PC6", "PC7", "PD0", "PD1", "PD2",
    "PD3", "PD4", "PD5", "PD6", "PD7", "PE2", "PE6", "PF0", "PF1", "PF4", "PF5", "PF6", "PF7",
};
int threshold_mv = 900;

enum kind { WIRE, DIODE, SWITCH };
struct part {
    enum kind kind;
    int a, b;         /* diode: anode, cathode */
    double ohm;
    int conducts;     /* wire whole, switch closed */
    char name[32];    /* of a switch */
};

static char nodes[MAX_NODES][32] = {"GND", "VCC"};
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

/* How a node is reached from a low (or from the supply): diodes passed and ohms in series. */
struct reach {
    int drops;
    double ohm;
};

static double level_of(struct reach r) {
    if (r.drops < 0) return NOTHING;
    double drop = r.drops * (double)DIODE_MV;
    if (drop >= SUPPLY_MV) return NOTHING;
    return drop + (SUPPLY_MV - drop) * r.ohm / (r.ohm + PULL_UP_OHM);
}

/* Spread from the nodes with drops >= 0 until nothing improves. `upstream`: towards whatever sends
 * current into them (from a cathode to its anode); else downstream. */
static void spread(struct reach *r, int upstream) {
    for (int better = 1; better;) {
        better = 0;
        for (int i = 0; i < n_parts; i++) {
            const struct part *p = &parts[i];
            if (!p->conducts) continue;
            for (int way = 0; way < 2; way++) {
                int from = way ? p->a : p->b, to = way ? p->b : p->a;
                if (p->kind == DIODE && way == upstream) continue;
                if (r[from].drops < 0 || to == GND || to == VCC) continue;
                struct reach next = {r[from].drops + (p->kind == DIODE), r[from].ohm + p->ohm};
                if (level_of(next) < level_of(r[to]) - 0.5) {
                    r[to] = next;
                    better = 1;
                }
            }
        }
    }
}

void half_levels(uint32_t driven_low, int level_mv[PADS]) {
    static struct reach low[MAX_NODES], high[MAX_NODES];
    for (int i = 0; i < n_nodes; i++) low[i].drops = high[i].drops = -1;
    high[VCC] = (struct reach){0, 0};
    low[GND] = (struct reach){0, 0};
    spread(high, 0);
    for (int i = 0; i < PADS; i++) {
        int n = pad_node[i];
        if (!(driven_low >> i & 1) || n < 0) continue;
        if (high[n].drops >= 0 && high[n].drops <= 1 && high[n].ohm < SHORT_OHM) continue;
        low[n] = (struct reach){0, 0};
    }
    spread(low, 1);
    for (int i = 0; i < PADS; i++) {
        int n = pad_node[i];
        double mv = n < 0 ? NOTHING : level_of(low[n]);
        if (n < 0 && (driven_low >> i & 1)) mv = 0;
        /* The supply wins over a low that is further away. */
        if (n >= 0 && high[n].drops == 0 && high[n].ohm < SHORT_OHM && n != GND) mv = NOTHING;
        level_mv[i] = mv > SUPPLY_MV ? SUPPLY_MV : (int)(mv + 0.5);
    }
}

uint32_t half_net_of(int pad) {
    static struct reach net[MAX_NODES];
    uint32_t pads = 1u << pad;
    if (pad_node[pad] < 0) return pads;
    for (int i = 0; i < n_nodes; i++) net[i].drops = -1;
    net[pad_node[pad]] = (struct reach){0, 0};
    spread(net, 1);
    for (int i = 0; i < PADS; i++)
        if (pad_node[i] >= 0 && net[pad_node[i]].drops == 0) pads |= 1u << i;
    return pads;
}
