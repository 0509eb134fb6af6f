set(CONFIG_TESTS ${CMAKE_CURRENT_SOURCE_DIR}/unit/config)
pkg_check_modules(YAML REQUIRED IMPORTED_TARGET yaml-0.1)
foreach(name wrong_bench wrong_map values examples)
  unit_test(config_${name} SOURCES ${CONFIG_TESTS}/test_${name}.c ${CONFIG_TESTS}/config_sample.c ${CONFIG_TESTS}/config_text.c
    LINKS config model PkgConfig::YAML)
  target_include_directories(config_${name} PRIVATE ${CONFIG_TESTS})
endforeach()
unit_test(config_expressions SOURCES ${CONFIG_TESTS}/test_expressions.c LINKS config drivers)
