# Built with clang only, which brings libFuzzer: ninja fuzz_bench_file && tests/fuzz_bench_file -max_total_time=60
# The room's own sources are compiled in, so that the fuzzer sees which of their branches are taken.
if(CMAKE_C_COMPILER_ID MATCHES Clang)
  set(config_room ${PROJECT_SOURCE_DIR}/config)
  get_target_property(config_sources config SOURCES)
  list(TRANSFORM config_sources PREPEND ${config_room}/)
  if(NOT TARGET fuzzers)
    add_custom_target(fuzzers)
  endif()
  foreach(harness bench_file map_file unit_file)
    add_executable(fuzz_${harness} EXCLUDE_FROM_ALL ${CMAKE_CURRENT_SOURCE_DIR}/fuzz/config/fuzz_${harness}.c
      ${CMAKE_CURRENT_SOURCE_DIR}/unit/config/config_text.c ${config_sources})
    target_include_directories(fuzz_${harness} PRIVATE ${config_room} ${CMAKE_CURRENT_SOURCE_DIR}/unit/config)
    target_compile_options(fuzz_${harness} PRIVATE -fsanitize=fuzzer,address,undefined)
    target_link_options(fuzz_${harness} PRIVATE -fsanitize=fuzzer,address,undefined)
    target_link_libraries(fuzz_${harness} PRIVATE model PkgConfig::YAML)
    add_dependencies(fuzzers fuzz_${harness})
  endforeach()
endif()
