// Runs the inputs of a corpus (a text file, one input a line in hex, "#" begins a comment), then a
// number of changed copies of them, through LLVMFuzzerTestOneInput. For compilers without libFuzzer,
// and for a run that is the same every time. Arguments: corpus, how many copies, their seed.
#include <stdio.h>
#include <stdlib.h>

#include <fstream>
#include <string>
#include <vector>

extern "C" int LLVMFuzzerTestOneInput(const uint8_t* data, size_t size);

typedef std::vector<uint8_t> Input;
static uint64_t state;

static uint32_t random_number(uint32_t below) {  // xorshift64 (Marsaglia 2003)
    state ^= state << 13;
    state ^= state >> 7;
    state ^= state << 17;
    return uint32_t(state >> 32) % below;
}

static void change(Input& in, const std::vector<Input>& corpus) {
    uint32_t at = in.empty() ? 0 : random_number(uint32_t(in.size()));
    switch (random_number(in.empty() ? 1 : 6)) {
    case 0: in.insert(in.begin() + at, uint8_t(random_number(256))); break;
    case 1: in[at] ^= uint8_t(1 << random_number(8)); break;
    case 2: in[at] = uint8_t(random_number(256)); break;
    case 3: in.erase(in.begin() + at, in.begin() + at + 1 + random_number(uint32_t(in.size()) - at));
            break;
    default: {  // the end of another input
        const Input& other = corpus[random_number(uint32_t(corpus.size()))];
        if (other.empty()) break;
        uint32_t from = random_number(uint32_t(other.size()));
        in.insert(in.begin() + at, other.begin() + from, other.end());
    }
    }
    if (in.size() > 2000) in.resize(2000);
}

int main(int argc, char** argv) {
    if (argc != 4) return 2;
    std::ifstream file(argv[1]);
    std::vector<Input> corpus;
    for (std::string line; std::getline(file, line);) {
        if (line.empty() || line[0] == '#') continue;
        Input in;
        for (size_t i = 0; i + 1 < line.size(); i += 2)
            in.push_back(uint8_t(strtoul(line.substr(i, 2).c_str(), nullptr, 16)));
        corpus.push_back(in);
    }
    if (corpus.empty()) {
        printf("%s: no inputs\n", argv[1]);
        return 2;
    }
    for (const Input& in : corpus) LLVMFuzzerTestOneInput(in.data(), in.size());
    int copies = atoi(argv[2]);
    state = strtoull(argv[3], nullptr, 10);
    for (int i = 0; i < copies; i++) {
        Input in = corpus[random_number(uint32_t(corpus.size()))];
        for (uint32_t n = 1 + random_number(6); n; n--) change(in, corpus);
        LLVMFuzzerTestOneInput(in.data(), in.size());
    }
    printf("%d inputs and %d changed copies, nothing broken\n", int(corpus.size()), copies);
    return 0;
}
